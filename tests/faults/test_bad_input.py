"""What is wrong with a shoot, a photo or a setting is said in one sentence, and the other shoots are finished."""

import os
import shutil
import subprocess

import pytest
import yaml

# Shoots that cannot be run, each with the words that its one sentence must hold: where, what, what to do.
REFUSED = {
    "no photos": ("no photos", "no raw photos in this folder", "copy the shoot's raw files into it"),
    "only notes": ("only notes", "no raw photos in this folder", "copy the shoot's raw files into it"),
    "hold outside": ("shoot.yaml", "'hold' is [1.4, 0.2]", "between 0 and 1"),
    "no such reference": ("shoot.yaml", "'reference' names 'KW_0199.dng'", "the nearest is 'KW_01"),
    "no such photo to leave out": ("shoot.yaml", "'leave_out' names 'IMG_0102.dng'", "the nearest is 'KW_0102.dng'"),
    "unknown key": ("shoot.yaml", "'holt' is not a setting", "the nearest is 'hold'"),
    "unknown key inside": ("shoot.yaml", "'look.exposre' is not a setting", "the nearest is 'look.exposure'"),
    "wrong type": ("shoot.yaml", "'look.exposure' is 'bright'", "expected a number of stops from -10 to 10"),
    "wrong aspect": ("shoot.yaml", "aspect", "expected a ratio", "1:4"),
    "of the whole night": ("shoot.yaml", "'keep_frames' concerns the whole night", "set it in config.yaml"),
    "broken YAML": ("shoot.yaml, line 2, 'look: {exposure: 1': its '{' is not closed", "end it by '}'"),
    "no table": ("shoot.yaml", "expected settings as 'key: value' lines"),
    "no CDL": ("look.cdl names 'warm.cc'", "neither in the shoot's folder nor in config/looks", "put the file there"),
    "no still": ("look.match names 'graded.tif'", "neither in the shoot's folder", "put the file there"),
    "no dark frame": ("dark names 'dark.dng'", "not in the shoot's folder", "put the file there"),
    "a pipe": ("KW_0105.dng: there is no file behind this name", "take the name out of the folder"),
    "a sparse file": ("KW_0105.dng: 1100 GB are more than any photo or look has", "take it out of the folder"),
    "settings gone": ("shoot.yaml: this is no file",),
    "too warm": ("shoot.yaml", "'look.white_balance' is {'kelvin': 900}", "kelvin: 1700 to 25000"),
    "in the way": ("results/in the way: a file is where the shoot's results should go", "move it away"),
    "{in} the way": ("results/{in} the way: a file is where the shoot's results should go", "move it away"),
    "../mixde": ("'only' asks for '../mixde', and no shoot in", "the nearest is 'mixed'"),
}
OWN = {
    "hold outside": "hold: [1.4, 0.2]\n",
    "no such reference": "reference: KW_0199.dng\n",
    "no such photo to leave out": "leave_out: [IMG_0102.dng]\n",
    "unknown key": "holt: auto\n",
    "unknown key inside": "look: {exposre: 1}\n",
    "wrong type": "look: {exposure: bright}\n",
    "wrong aspect": 'aspect: "9:1"\n',
    "of the whole night": "keep_frames: false\n",
    "broken YAML": "hold: auto\nlook: {exposure: 1\nfps: 24\n",
    "no table": "- hold\n",
    "no CDL": "look: {cdl: warm.cc}\n",
    "no still": "look: {match: graded.tif}\n",
    "no dark frame": "dark: dark.dng\n",
    "too warm": "look: {white_balance: {kelvin: 900}}\n",
}
ASKED = ("--cores", "2", "--config", 'only=["*", "../mixde"]')
# Shoots that begin and cannot go on.
STUCK = {
    "all cut short": ("none of the 3 photos can be read", "KW_0101.dng", "copy them from the card again"),
    "nothing left": ("no photo is left for the clip", "check 'first', 'last' and 'leave_out'"),
}
NAMES = ('--it\'s a "walk" `touch sprung` -rf 🌃; & more', "{braces} {shoot} $(touch sprung) $HOME %d 100%")
# What is found in photos of the shoot 'mixed': {photo: (code, severity, words of the sentence)}.
FOUND = {
    "KW_0108.dng": ("unreadable", "fault", "cannot be read as a photo", "copy it from the card again"),
    "KW_0109.dng": ("unreadable", "fault", "is empty (0 bytes)", "copy it from the card again"),
    "KW_0110.dng": ("unreadable", "fault", "cannot be read as a photo", "copy it from the card again"),
    "KW_0111.dng": ("other_size", "fault", "880x660", "900x600", "move it to a shoot of its own"),
    "KW_0112.dng": ("other_camera", "fault", "Noctule 3", "Noctule 2", "move it to a shoot of its own"),
    "KW_0107.dng": ("duplicate", "fault", "KW_0107.dng is the same photo as KW_0106.dng", "delete one of them"),
}


@pytest.fixture(scope="module")
def night(little, truth, retagged, content):
    """One run over all the bad shoots, and some that are none; with what it said, and its photos before and after."""
    night = little("results")
    night.shoots = night.shoots.with_name("bad shoots")
    base = truth["shoots"] / "approach"
    photos = sorted(base.glob("*.dng"))
    quick = yaml.safe_dump({"hold": truth["approach"]["hold_fraction"], "aspect": "1:4"})

    def shoot(name, count, own=quick, rename=str):
        folder = night.shoots / name
        folder.mkdir(parents=True)
        for photo in photos[:count]:
            shutil.copy2(photo, folder / rename(photo.name))
        if own:
            (folder / "shoot.yaml").write_text(own)
        return folder

    night.results.mkdir()
    for name in ("in the way", "{in} the way"):
        shoot(name, 3)
        (night.results / name).write_text("a letter\n")
    shoot("no photos", 0, own="")
    (shoot("only notes", 0, own="") / "notes.txt").write_text("far too dark\n")
    for name, own in OWN.items():
        shoot(name, 20 if "no such" in name else 3, own)
    os.mkfifo(shoot("a pipe", 3) / "KW_0105.dng")
    sparse = night.shoots.with_name("sparse")
    sparse.touch()
    os.truncate(sparse, 1 << 40)
    (shoot("a sparse file", 3) / "KW_0105.dng").symlink_to(sparse)
    (shoot("settings gone", 3, own="") / "shoot.yaml").symlink_to("nowhere")
    for photo in shoot("all cut short", 3).glob("*.dng"):
        os.truncate(photo, 3000)
    shoot("nothing left", 3, "leave_out: [KW_0101.dng, KW_0102.dng, KW_0103.dng]\n")
    for name in NAMES:
        shoot(name, 3, rename=lambda photo, name=name: f"{name} {photo}")

    # A photo that could be read when its hold point was told, and no longer can.
    mixed = shoot("mixed", 12, quick + "hold_in: {KW_0108.dng: [0.5, 0.4]}\n")
    os.truncate(mixed / "KW_0108.dng", (mixed / "KW_0108.dng").stat().st_size * 9 // 10)
    os.truncate(mixed / "KW_0109.dng", 0)
    (mixed / "KW_0110.dng").write_text("Dear diary, it was too dark to see a thing.\n" * 50)
    shutil.copy2(truth["shoots"] / "arc" / "KW_0111.dng", mixed)
    other = mixed / "KW_0112.dng"
    other.write_bytes(other.read_bytes().replace(b"Noctule 2", b"Noctule 3"))
    shutil.copy2(mixed / "KW_0106.dng", mixed / "KW_0107.dng")
    # Exif directory and time stamp of the file
    for photo in shoot("without EXIF", 3).glob("*.dng"):
        photo.write_bytes(retagged(photo.read_bytes(), {34665: 65000, 306: 65001}))

    before = content(night.shoots)
    status, night.said = night.run(*ASKED)
    assert status == 1
    night.before, night.after = before, content(night.shoots)
    return night


def test_no_photo_and_no_setting_is_changed(night):
    assert night.after == night.before
    assert not list(night.shoots.parent.rglob("sprung")), "a name was run as a command"


@pytest.mark.parametrize("shoot", [*REFUSED, *STUCK])
def test_a_shoot_that_cannot_be_run_gets_one_sentence(night, failures, shoot):
    sentences = failures(night.said).get(shoot, [])
    assert len(sentences) == 1, night.said
    for words in (REFUSED | STUCK)[shoot]:
        assert words in sentences[0]


def test_only_those_fail_and_the_index_names_them(night, failures):
    assert failures(night.said).keys() == REFUSED.keys() | STUCK.keys()
    page = (night.results / "index.html").read_text(encoding="utf-8")
    for shoot in (*REFUSED, *STUCK, "mixed"):
        assert shoot in page
    assert (night.results / "{in} the way").read_text() == (night.results / "in the way").read_text() == "a letter\n"


@pytest.mark.parametrize("shoot", ["mixed", "without EXIF", *NAMES])
def test_the_others_are_finished(night, shoot):
    clip = night.results / shoot / f"{shoot}_hd.mp4"
    assert clip.stat().st_size
    assert (night.results / shoot / "report.html").stat().st_size
    assert any(line.startswith(f"done    {shoot}: ") for line in night.said.splitlines())
    assert len(night.hashes(shoot)) == (6 if shoot == "mixed" else 3)


@pytest.mark.parametrize("photo", FOUND)
def test_a_bad_photo_is_found_and_left_out(night, photo):
    audit = night.json("mixed", "audit.json")
    code, severity, *words = FOUND[photo]
    (finding,) = [f for f in audit["findings"] if photo in f["photos"]]
    assert (finding["code"], finding["severity"]) == (code, severity)
    for word in words:
        assert word in finding["message"]
    assert (photo in audit["photos"]) == (severity == "warning")
    if severity == "fault":
        assert f"note    mixed: {finding['message']}" in night.said.splitlines()


def test_the_order_of_photos_without_a_time_stamp(night):
    audit = night.json("without EXIF", "audit.json")
    assert audit["photos"] == [f"KW_{k:04d}.dng" for k in range(101, 104)]
    assert {f["code"] for f in audit["findings"]} == {"no_time", "no_exposure"}


def test_a_second_run_says_the_same(night, failures):
    """And tries the bad ones again, without doing anything anew for the good ones."""
    clip = night.results / "mixed" / "mixed_hd.mp4"
    before = clip.stat().st_mtime_ns
    status, said = night.run(*ASKED)
    assert status == 1
    assert failures(said) == failures(night.said)
    assert clip.stat().st_mtime_ns == before


def test_who_asks_for_one_shoot_finds_the_others_on_the_index_as_well(night):
    status, said = night.run("--cores", "2", "--config", "only=mixed")
    assert status == 0 and said.endswith("1 of 1 shoots finished\n"), said
    page = (night.results / "index.html").read_text(encoding="utf-8")
    assert 'href="./mixed/report.html"' in page and 'href="./without%20EXIF/report.html"' in page
    assert "nothing left" not in page, "what no run has finished"


# Mistakes that concern the whole night: {what: (settings file, words of the sentence)}.
MISTAKES = {
    "unknown key": ("expsure: 1\n", ("settings.yaml", "'expsure' is not a setting", "the nearest is '")),
    "wrong type": ("frames_per_job: many\n", ("settings.yaml", "'frames_per_job' is 'many'", "a whole number")),
    "hold outside": ("hold: [0.5, -0.1]\n", ("settings.yaml", "'hold' is [0.5, -0.1]", "between 0 and 1")),
    "broken YAML": ("look: {exposure: 1\nfps: 24\n", ("settings.yaml, line 1", "look: {exposure: 1", "end it by '}'")),
    "aspect too wide": ('aspect: "9:1"\n', ("settings.yaml", "9:1", "between 1:4 and 4:1")),
    "no table": ("just words\n", ("settings.yaml", "key: value")),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_the_settings_of_the_night(little, mistake):
    night = little(f"night with {mistake}")
    text, words = MISTAKES[mistake]
    file = night.results.with_name("settings.yaml")
    file.write_text(text)
    status, said = night.run("--configfile", str(file))
    refused(status, said, words)
    assert not (night.results / "walk").exists()


def test_a_mistake_on_the_command_line(little):
    night = little("mistaken")
    options = night.command()
    done = subprocess.run([*options, "fsp=24"], env=night.variables(), capture_output=True, text=True, timeout=60)
    refused(done.returncode, done.stdout + done.stderr, ("'fsp' is not a setting", "the nearest is 'fps'", "--config"))


def test_who_asks_what_would_be_done_is_told_of_mistakes_last(little):
    night = little("asked")
    night.shoots = night.shoots.with_name("asked shoots")
    for name in ("walk", "bad"):
        shutil.copytree(night.shoots.with_name("shoots") / "walk", night.shoots / name)
    (night.shoots / "bad" / "shoot.yaml").write_text("holt: auto\n")
    status, said = night.run("-n")
    assert status == 0
    last = said.splitlines()[-1]
    assert last.startswith("note    bad: ") and "'holt' is not a setting; the nearest is 'hold'" in last
    assert "output files have to be generated" in said
    for number in range(100):
        (night.shoots / f"walk {number:03d}").mkdir()
    status, said = night.run("-n")
    assert status == 0 and "Job stats:" in said
    assert "output files have to be generated" not in said, "of many shoots the table alone is put together"


def test_a_file_of_a_shoot_that_is_not_there(little):
    status, said = little("stray").run("goes/master.mkv")
    assert status == 2
    assert said.splitlines()[-1] == "kerbwalk: what is asked for of 'goes' cannot be made: there is no such shoot"


def test_no_shoots(little, tmp_path):
    night = little("none")
    night.shoots = tmp_path / "empty"
    night.shoots.mkdir()
    refused(*night.run(), (str(night.shoots), "no shoots", "into a folder of its own"))


def test_a_shoot_for_the_folder_of_shoots(little):
    night = little("none")
    above, night.shoots = night.shoots, night.shoots / "walk"
    for options in ((), ("-n",)):
        status, said = night.run(*options)
        refused(status, said, (str(night.shoots), "holds photos itself", "name the folder above", f"shoots={above}"))
        assert "common.smk" not in said, "no place in our code"


def refused(status, said, words):
    """It did not begin, and the last line is the one sentence that says why."""
    assert status == 2
    last = said.splitlines()[-1]
    assert last.startswith("kerbwalk: "), said
    for word in words:
        assert word in last


@pytest.mark.parametrize("room", ["14m", "24m", "33m"])
def test_a_full_disk(little, content, room):
    """The disk, in memory and in a space of its own, is full in the middle of the work."""
    night = little("disk")
    night.results.mkdir(exist_ok=True)
    inside = ["unshare", "--mount", "sh", "-c", 'mount -t tmpfs -o "size=$0" tmpfs "$1" && shift && exec "$@"']
    inside += [room, str(night.results)]
    if subprocess.run([*inside, "true"], capture_output=True).returncode:
        pytest.skip("mounting a disk in memory is not permitted here")
    before = content(night.shoots)
    done = subprocess.run(
        [*inside, *night.command("--cores", "2")], env=night.variables(), capture_output=True, text=True, timeout=300
    )
    said = done.stdout + done.stderr
    assert done.returncode == 1, said
    assert "Traceback" not in said
    sentences = [line for line in said.splitlines()[-6:] if "is full" in line]
    assert len(sentences) == 1, said
    assert "run" in sentences[0] or "start the same command again" in sentences[0]
    assert content(night.shoots) == before
