"""The archive: a bag that another program takes for whole, that says what became of it, and gives the clip again."""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from urllib.parse import unquote

import bagit
import numpy as np
import pytest
import yaml

from files import bag, checked, compare, ffmpeg, pages, stage
from house import ids, recipes, settings

OLD = Path(__file__).parents[1] / "data" / "bag-1.tar.xz"


@pytest.fixture(scope="module")
def packed(undisturbed, tmp_path_factory):
    """A night whose shoot is packed, without the packages, which would have to be downloaded."""
    night = undisturbed.elsewhere(tmp_path_factory.mktemp("archive") / "results")
    night.finish("archive", settings={"frames_per_job": 3, "archive": {"wheels": False}})
    return night


@pytest.fixture
def old(tmp_path):
    """A bag of the first version."""
    # tarfile's own way that is safe is missing in the first releases of Python 3.11, any other warned of in later ones.
    subprocess.run(["tar", "-xf", OLD, "-C", tmp_path], check=True)
    return tmp_path / "bag"


def archive(night, *arguments):
    command = [sys.executable, str(night.root / "scripts" / "archive"), *map(str, arguments)]
    return subprocess.run(command, env=night.variables(), capture_output=True, text=True, timeout=200)


def test_it_is_a_bag_and_holds_the_photos_as_they_are(packed):
    folder = packed.results / "walk" / "archive"
    assert bagit.Bag(str(folder)).is_valid()
    for photo in (packed.shoots / "walk").glob("*.dng"):
        assert (folder / "data" / "shoot" / photo.name).read_bytes() == photo.read_bytes()
    assert (folder / "data/results/master.mkv").read_bytes() == (packed.results / "walk/master.mkv").read_bytes()
    assert (folder / "data/code/Snakefile").exists()
    # Named as it is in the shoot's folder, and not where reprocess would find it.
    assert (folder / "data/shoot.yaml").read_bytes() == (packed.shoots / "walk" / "shoot.yaml").read_bytes()
    assert not (folder / "data/shoot/shoot.yaml").exists()
    assert not list(folder.rglob("__pycache__"))


def test_the_clip_is_made_again_to_the_bit(packed, tmp_path):
    """Though the shoots, and Kerbwalk, are elsewhere by then."""
    folder = Path(shutil.move(packed.results / "walk" / "archive", tmp_path / "a bag of {the} walk"))
    done = archive(packed, "reprocess", folder, tmp_path / "again")
    assert "the same walk: all 6 frames, to the bit" in done.stdout, done.stdout + done.stderr
    assert done.returncode == 0
    assert archive(packed, "verify", folder).stdout.startswith("whole    walk: "), "making it again left the bag alone"
    spoil(folder / "data" / "results" / "master.mkv")
    done = archive(packed, "verify", folder)
    assert done.returncode == 1 and "data/results/master.mkv is spoilt" in done.stdout


def test_all_that_befell_a_bag_is_told_at_once(old):
    spoil(old / "data" / "results" / "master.mkv")
    spoil(old / "manifest-sha256.txt")
    (old / "data" / "settings.json").unlink()
    (old / "data" / ".DS_Store").touch()
    (old / "notes.txt").touch()
    told = dict(said.removeprefix(f"{old}: ").split(maxsplit=1) for said in bag.damage(old))
    # The manifest's last line is of the file that is the last by its name, and names another one now.
    *_, last = sorted(file.relative_to(old).as_posix() for file in (old / "data" / "shoot").iterdir())
    assert {path: said.split()[1] for path, said in told.items() if not path.startswith(last[:-1])} == {
        "data/.DS_Store": "added:",
        "data/results/master.mkv": "spoilt:",
        "data/settings.json": "gone",
        "manifest-sha256.txt": "spoilt:",
        "notes.txt": "added:",
    }
    assert len(told) == 7


def test_who_finds_damage_is_told_what_to_do(old, monkeypatch, capsys):
    import _archive

    (old / "data" / "settings.json").unlink()
    monkeypatch.setattr(sys, "argv", ["archive", "verify", str(old)])
    assert _archive.main() == 1
    said = capsys.readouterr()
    assert said.out == f"{old}: data/settings.json is gone\n"
    assert said.err.startswith("kerbwalk: put back what is gone or spoilt from another copy of the bag")


def spoil(file):
    data = bytearray(file.read_bytes())
    data[-2] ^= 0x81
    file.write_bytes(data)


@pytest.mark.parametrize("name", ["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"])
def test_what_tells_of_damage_is_missed_itself(name, old):
    info = old / "bag-info.txt"
    info.write_text(info.read_text() + "Contact-Name: another\n")
    (old / name).unlink()
    (said,) = bag.damage(old)
    assert said.startswith(f"{old}: {name} is gone")


def test_names_are_known_however_a_disk_writes_accents(tmp_path):
    for written, on_disk in (("u\u0308.dng", "\u00fc.dng"), ("\u00e9.dng", "e\u0301.dng")):
        (tmp_path / written).write_bytes(b"a photo")
        folder = tmp_path / f"bag of {written}"
        folder.mkdir()
        shutil.move(tmp_path / written, folder)
        bagit.make_bag(str(folder), {bag.VERSION_KEY: "1"}, checksums=["sha256"])
        (folder / "data" / written).rename(folder / "data" / on_disk)
        assert bag.damage(folder) == []


@pytest.mark.parametrize(
    ("name", "called"),
    [
        ("Größe & $HOME; {x} %s", "Größe & $HOME; {x} %s"),
        ("-dash 'q' \"dq\"", "-dash 'q' _dq_"),
        ("a%0Db <1:2>", "a_0Db _1_2_"),
    ],
)
def test_the_clip_has_the_shoots_true_name(name, called, tmp_path, monkeypatch):
    results = made_by_hand(tmp_path, name)
    folder = pack(tmp_path, name, results, monkeypatch)
    assert (folder / "data" / "results" / f"{called}_hd.mp4").read_bytes() == b"a clip"
    assert (folder / "data" / "results" / f"{called}_stills" / "0001.tif").read_bytes() == b"a still"
    assert (folder / "data" / "results" / "work" / "gains.csv").exists()
    (played,) = re.findall('src="(.*)"', (folder / "data" / "results" / "report.html").read_text())
    assert (folder / "data" / "results" / unquote(played)).read_bytes() == b"a clip"
    assert bagit.Bag(str(folder)).is_valid() and bag.damage(folder) == []
    assert bag.read(folder).shoot == name


def test_a_bag_says_what_it_is_and_how_to_check_it(tmp_path, monkeypatch):
    folder = pack(tmp_path, "walk", made_by_hand(tmp_path, "walk"), monkeypatch)
    said = (folder / "data" / "README.txt").read_text(encoding="utf-8")
    assert said.startswith("walk\nA walk in 1 photos")
    for path in re.findall(r"code/[\w/.]*\w", said):
        assert (folder / "data" / path).exists(), path
    assert "XXH128" in stage.read_json(folder / "data" / "photos.json")["checksums"]
    checks = [line.split() for line in re.findall("^  (sha256sum .*)$", said, re.MULTILINE)]
    assert [subprocess.run(check, cwd=folder, capture_output=True).returncode for check in checks] == [0, 0]
    commands = [line.replace("ELSEWHERE", str(tmp_path / "elsewhere")).split() for line in said.splitlines()]
    (copy,) = [words for words in commands if words[:1] == ["cp"]]
    (verify,) = [words for words in commands if words[1:] == ["verify", "."]]
    assert subprocess.run(copy, cwd=folder).returncode == 0
    done = subprocess.run(verify, cwd=folder, capture_output=True, text=True)
    assert done.stdout.startswith("whole    walk: "), done.stderr
    (folder / "data" / "README.txt").unlink()
    assert [subprocess.run(check, cwd=folder, capture_output=True).returncode for check in checks] == [0, 1]


def test_settings_are_kept_as_they_were_written(tmp_path, monkeypatch):
    results = made_by_hand(tmp_path, "walk")
    assert not (pack(tmp_path, "walk", results, monkeypatch) / "data" / "shoot.yaml").exists()
    written = "aspect: 1:1   # for the kiosk's window\r\n"
    (tmp_path / "shoots" / "walk" / "shoot.yaml").write_text(written, encoding="utf-8", newline="")
    folder = pack(tmp_path, "walk", results, monkeypatch)
    assert (folder / "data" / "shoot.yaml").read_bytes() == written.encode()


def made_by_hand(folder, name):
    """A shoot's results, as far as an archive asks what is in them."""
    own = ids.safe_id(name)
    results = folder / "results" / own
    (results / "work").mkdir(parents=True)
    (results / f"{own}_stills").mkdir()
    (results / f"{own}_stills" / "0001.tif").write_bytes(b"a still")
    (results / f"{own}_hd.mp4").write_bytes(b"a clip")
    (results / "report.html").write_text(f'<video src="{pages.url(f"{own}_hd.mp4")}"></video>', encoding="utf-8")
    (results / "work" / "gains.csv").write_text("0\n")
    photo = folder / "shoots" / name / "a.dng"
    photo.parent.mkdir(parents=True)
    photo.write_bytes(b"a photo")
    photos = [{"name": "a.dng", "bytes": 7, "checksum": checked.checksum(photo)}]
    stage.write_json(results / "work" / "ingest.json", {"photos": photos})
    return results


def pack(folder, name, results, monkeypatch):
    """The bag of such results, packed as the rule does."""
    import archive

    made = [file for file in results.iterdir() if file.name != "work"] + [results / "work" / "gains.csv"]
    wanted = {"night": {}, "shoot": {"archive": {"photos": True, "wheels": False}}}
    options = {
        "folder": folder / "shoots" / name,
        "also": "[]",
        "ingest": results / "work" / "ingest.json",
        "settings": json.dumps(wanted),
        "results": results,
        "out": folder / "bag",
    }
    told = [str(word) for key, value in options.items() for word in (f"--{key}", value)]
    monkeypatch.setattr(sys, "argv", ["archive", f"--name={name}", *told, "--made", *map(str, made)])
    archive.main()
    return folder / "bag"


def test_an_old_bag_is_still_readable(old):
    assert bag.damage(old) == []
    contents = bag.read(old)
    assert contents.shoot == "tram-square"
    photos = sorted(photo["name"] for photo in contents.photos["photos"])
    assert photos == sorted(file.name for file in (contents.data / "shoot").iterdir())
    assert contents.environment["packages"]["rawpy"]
    for table in contents.settings.values():
        settings.check(table, "an old bag")
    assert recipes.resolved(contents.settings["shoot"], "an old bag").keys() == {"hd"}
    assert len((contents.data / "results" / "master.framemd5").read_text().splitlines()) > 3


def test_an_old_bag_is_told_no_setting_that_its_code_does_not_know(old, tmp_path):
    import _archive

    contents = bag.read(old)
    _archive.lay_out(contents, tmp_path / "again", None)
    known = yaml.safe_load((contents.data / "code" / "config" / "config.yaml").read_text(encoding="utf-8"))
    assert stage.read_json(tmp_path / "again" / "night.yaml").keys() <= known.keys()


def test_a_bag_of_a_later_format_or_of_others_is_refused(tmp_path):
    with pytest.raises(stage.StageError, match="this is no bag"):
        bag.shoot_of(tmp_path)
    for version, words in (("2", "take a newer Kerbwalk"), (None, "was not made by Kerbwalk")):
        folder = tmp_path / str(version)
        folder.mkdir()
        bagit.make_bag(str(folder), {bag.VERSION_KEY: version} if version else {})
        with pytest.raises(stage.StageError, match=words):
            bag.shoot_of(folder)


@pytest.mark.parametrize(
    ("shoot", "photo"), [("../walk", "a.dng"), ("..", "a.dng"), ("", "a.dng"), ("walk", "../a.dng"), ("walk", "/a.dng")]
)
def test_a_bag_whose_names_lead_elsewhere_is_refused(shoot, photo, tmp_path):
    for name in ("settings", "photos", "environment"):
        stage.write_json(tmp_path / f"{name}.json", {"photos": [{"name": photo}]})
    bagit.make_bag(str(tmp_path), {"External-Identifier": shoot, bag.VERSION_KEY: "1"})
    with pytest.raises(stage.StageError, match="take a bag that Kerbwalk made"):
        bag.read(tmp_path)


@pytest.mark.parametrize(
    ("place", "said"),
    [
        (None, "say where the clip shall be made again: reprocess BAG OUT"),
        ("full", "full exists and is no empty folder; name a new folder"),
        ("full/a file", "a file exists and is no empty folder; name a new folder"),
        ("bag/data/new", "new lies in the bag"),
        ("bag", "bag lies in the bag"),
    ],
)
def test_a_place_where_it_cannot_be_made_again_is_refused(place, said, tmp_path):
    import _archive

    for name in ("empty", "full", "bag"):
        (tmp_path / name).mkdir()
    (tmp_path / "full" / "a file").touch()
    with pytest.raises(stage.StageError, match=said):
        _archive.check_place(place and tmp_path / place, tmp_path / "bag")
    for name in ("empty", "new", "bag 2"):
        _archive.check_place(tmp_path / name, tmp_path / "bag")


def laid_out(folder, names, photos):
    """The names of the photos that lie in the shoot's folder when a bag of such photos is to be made again."""
    import _archive

    photos_of = {"photos": [{"name": name, "checksum": checked.checksum(folder / "known")} for name in names]}
    contents = bag.Contents("walk", folder / "data", {"night": {}, "shoot": {}}, photos_of, {})
    _archive.lay_out(contents, folder / "out", photos)
    return sorted(file.name for file in (folder / "out" / "shoots" / "walk").iterdir() if file.is_symlink())


def test_photos_of_a_bag_are_found_however_a_disk_writes_accents(tmp_path):
    for place in ("known", "data/shoot/u\u0308.dng", "data/shoot/look.cube"):
        (tmp_path / place).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / place).write_bytes(b"a photo")
    assert laid_out(tmp_path, ["\u00fc.dng"], None) == ["look.cube", "\u00fc.dng"]


def test_nothing_is_laid_out_where_a_photo_is_not_the_one(tmp_path):
    (tmp_path / "photos").mkdir()
    for place in ("known", "photos/a.dng", "photos/c.dng"):
        (tmp_path / place).write_bytes(b"a photo")
    with pytest.raises(stage.StageError, match="checksums alone; say where they lie"):
        laid_out(tmp_path, ["a.dng"], None)
    with pytest.raises(stage.StageError, match=r"b\.dng: there is no such photo; name the folder"):
        laid_out(tmp_path, ["a.dng", "b.dng"], tmp_path / "photos")
    (tmp_path / "photos" / "b.dng").write_bytes(b"another")
    with pytest.raises(stage.StageError, match=r"b\.dng: this is not the photo that the clip was made of"):
        laid_out(tmp_path, ["a.dng", "b.dng"], tmp_path / "photos")
    assert not (tmp_path / "out").exists()
    assert laid_out(tmp_path, ["a.dng", "c.dng"], tmp_path / "photos") == ["a.dng", "c.dng"]


def test_making_it_again_runs_no_command_of_the_bag(tmp_path):
    import _archive

    night = {"on_finish": "touch sprung", "only": []}
    (tmp_path / "shoots" / "walk").mkdir(parents=True)
    photos = {"photos": []}
    _archive.lay_out(bag.Contents("walk", tmp_path, {"night": night, "shoot": {}}, photos, {}), tmp_path, None)
    assert settings.load(tmp_path / "night.yaml") == {"on_finish": None, "only": []}


@pytest.mark.usefixtures("environment")
def test_packages_are_found_in_a_bag_with_spaces_in_its_path(tmp_path, monkeypatch):
    import _archive

    data = tmp_path / "a bag of %20 {the} walk" / "data"
    (data / "code" / "envs").mkdir(parents=True)
    (data / "code" / "envs" / "default.txt").write_text("of other packages")
    (data / "wheels").mkdir()
    told = {}
    monkeypatch.setattr(_archive.subprocess, "call", lambda command, env: told.update(env) or 0)
    _archive.run(bag.Contents("walk", data, {}, {}, {}), tmp_path / "out", today=False)
    asked = [sys.executable, "-m", "pip", "download", "--disable-pip-version-check", "--dest", tmp_path, "no-package"]
    done = subprocess.run(asked, env=told, capture_output=True, text=True)
    assert "No matching distribution" in done.stderr and "is ignored" not in done.stderr, done.stderr


def test_what_differs_is_told_by_frame(tmp_path):
    """10-bit pictures, one of which is two steps off throughout: 20 log10(1023 / 2) = 54.2 dB."""
    for name, off in (("was.mkv", 0), ("is.mkv", 2)):
        with ffmpeg.writer((64, 36), ffmpeg.MASTER_FORMAT, 24, "-c:v", "ffv1", tmp_path / name) as write:
            for k in range(3):
                write(np.full((3, 36, 64), 500 + (off if k == 1 else 0), np.uint16))
    psnr = compare.psnr(tmp_path / "was.mkv", tmp_path / "is.mkv")
    assert psnr[0] == psnr[2] == float("inf")
    assert psnr[1] == pytest.approx(20 * np.log10(1023 / 2), abs=0.01)


def test_another_environment_is_named():
    import _archive

    was = {"python": "3.11.7", "packages": {"numpy": "2.0", "gone": "1"}}
    now = {"python": "3.11.7", "packages": {"numpy": "2.1"}}
    assert _archive.other_parts(was, now) == [("gone", "1", None), ("numpy", "2.0", "2.1")]
