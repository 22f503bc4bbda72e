"""Silent corruption is noticed when a photo is next read, and by `verify`; copies are checked, and outlive a kill."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import verify
from demo import faults
from files import checked, manifest, stage

PHOTO = "KW_0103.dng"


@pytest.fixture(scope="module")
def night(little):
    """A night of its own, of which only the audit was asked for."""
    night = little("checked")
    shutil.copytree(night.shoots, night.shoots.with_name("checked shoots"))
    night.shoots = night.shoots.with_name("checked shoots")
    night.said = night.finish("audit", "--cores", "2")
    return night


def flip(photo):
    """One bit, without a trace in the time stamp."""
    stat = photo.stat()
    faults.flip(photo)
    os.utime(photo, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def test_the_audit_alone(night):
    made = {f.name for f in (night.results / "walk").rglob("*") if f.is_file()}
    assert {"audit.json", "ingest.json", "frames.csv", "glance.npz"} <= made
    assert not [name for name in made if name.endswith((".npy", ".mkv", ".mp4", ".html"))]
    assert night.said.splitlines()[-1] == "1 of 1 shoots finished"
    # Asked once more, it says what it found without looking again.
    before = (night.results / "walk" / "audit.json").stat().st_mtime_ns
    assert night.finish("audit", "--cores", "2").splitlines()[-2:] == night.said.splitlines()[-2:]
    assert (night.results / "walk" / "audit.json").stat().st_mtime_ns == before
    # A file asked for by its name is told of as well, and nothing that was not.
    assert night.finish("walk/work/lens.json").splitlines()[-1] == "1 of 1 shoots finished"


def test_a_flipped_bit_is_noticed_by_the_next_stage_that_reads_it(night, restored, failures):
    with restored(night.shoots / "walk" / PHOTO) as photo:
        flip(photo)
        status, said = night.run("--cores", "2")
        assert status == 1
        (sentence,) = failures(said)["walk"]
        assert sentence.startswith(f"{PHOTO} is not what it was when first seen") and "copy" in sentence


def test_a_job_that_hangs_is_ended_on_one_machine_too(night, failures):
    """Here by asking for no minutes at all: three times that is over at once."""
    status, said = night.run("--cores", "2", "--set-resources", "lens:runtime=0", "hot:runtime=0")
    assert status == 1
    assert all("was still at work after 0 minutes and was stopped" in reason for reason in failures(said)["walk"])


def test_and_by_verify_whatever_was_done_before(night, restored, failures):
    assert "verified.json" in night.finish("verify", "--cores", "2")
    with restored(night.shoots / "walk" / PHOTO) as photo:
        flip(photo)
        status, said = night.run("verify", "--cores", "2")
        assert status == 1
        (sentence,) = failures(said)["walk"]
        assert f"{photo} is not what it was" in sentence
        assert not (night.results / "walk" / "work" / "verified.json").exists()
    assert night.json("walk", "work/ingest.json")["changed"] == []


def verified(folder, names, place, *replaced):
    """What verify says of a folder that once held photos of these contents, {name: bytes}, by now renamed or gone."""
    files = []
    for name, content in names.items():
        path = place / "seen" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        files.append({"path": name, "bytes": len(content), "modified": 0, "checksum": checked.checksum(path)})
    manifest.add(place, files)
    kept = [file for file in files if (folder / file["path"]).exists()]
    manifest.add(place, kept)
    settings = json.dumps({"audit": {"replaced": replaced}})
    command = [sys.executable, Path(verify.__file__), "--folder", folder, "--name", "walk", "--history", place]
    done = subprocess.run([*command, "--settings", settings, "--out", place / "v.json"], capture_output=True, text=True)
    return done.stderr


def test_a_photo_that_was_moved_or_was_there_twice_is_not_missed(tmp_path):
    folder = tmp_path / "walk"
    (folder / "card").mkdir(parents=True)
    names = {"a.dng": b"a", "card/a.dng": b"a", "b.dng": b"b", "b (1).dng": b"b", "c.dng": b"c"}
    for name in ("card/a.dng", "b.dng"):
        (folder / name).write_bytes(names[name])
    said = verified(folder, names, tmp_path / "history")
    assert said.count(" is gone") == 1 and f"{folder / 'c.dng'} is gone: copy from the card" in said
    assert not (tmp_path / "history" / "v.json").exists()
    assert "kerbwalk: " not in verified(folder, names, tmp_path / "history", "c.dng")
    assert stage.read_json(tmp_path / "history" / "v.json")["photos"] == 2


def test_a_copy_that_is_killed_goes_on(night, tmp_path):
    folder, place = night.shoots / "walk", tmp_path / "disk"
    place.mkdir()
    (folder / "KW_0101.xmp").write_text("a sidecar")
    ingest = night.results / "walk" / "work" / "ingest.json"
    command = [sys.executable, night.root / "scripts" / "backup.py", "--folder", folder, "--name", "it's a walk"]
    command += ["--ingest", ingest, "--copy-to", place, "--out", tmp_path / "backup.json"]
    target = place / "it's a walk"
    for count in (1, 3):
        process = subprocess.Popen(command)
        while len(list(target.glob("KW_*.dng"))) < count and process.poll() is None:
            time.sleep(0.001)
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert not (tmp_path / "backup.json").exists(), "it was not killed in time"
    subprocess.run(command, check=True, timeout=60)
    for file in folder.iterdir():
        assert (target / file.name).read_bytes() == file.read_bytes()
    names = {f.name for f in folder.iterdir()} | {"ascmhl"}
    assert {f.name for f in target.iterdir()} == names, "nothing half-written is left"


def test_a_copy_of_a_damaged_photo_is_not_made(night, tmp_path, restored):
    (tmp_path / "disk").mkdir()
    with restored(night.shoots / "walk" / "KW_0102.dng") as photo:
        flip(photo)
        command = [sys.executable, night.root / "scripts" / "backup.py", "--folder", photo.parent, "--name", "walk"]
        command += ["--ingest", night.results / "walk" / "work" / "ingest.json", "--copy-to", tmp_path / "disk"]
        done = subprocess.run([*command, "--out", tmp_path / "b.json"], capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert "KW_0102.dng is not what it was when first seen" in done.stderr
    assert not (tmp_path / "disk" / "walk" / "KW_0102.dng").exists()


def test_a_photo_that_was_written_again_is_told_of(night, restored):
    with restored(night.shoots / "walk" / PHOTO) as photo:
        faults.flip(photo)
        said = night.finish("audit", "--cores", "2")
        assert f"note    walk: {PHOTO} is not what it was when first seen" in said
        assert PHOTO in night.json("walk", "audit.json")["photos"]
