"""Killed with SIGKILL at any moment, a run is finished by the next one, with the same frames."""

import os
import random
import signal
import time

import pytest

SETTINGS = {"frames_per_job": 3}


@pytest.fixture(scope="module")
def killed(little):
    """The little night, killed at five moments and then run to the end."""
    night = little("killed")
    chance = random.Random(20310314)
    for stage in (".kerbwalk", "walk/work/ingest.json", "walk/work/track.json", "walk/master.mkv"):
        if stage == "walk/master.mkv":
            # While a file is being written, so that one is left half-written for the next run.
            kill(night, lambda: list(night.results.rglob(".writing-*.mkv")))
            assert list(night.results.rglob(".writing-*.mkv"))
        kill(night, (night.results / stage).exists, chance.uniform(0, 0.4))
    night.finish("--cores", "2", settings=SETTINGS)
    return night


def kill(night, now, later=0.0):
    """Start a run, and kill it and all its processes some seconds after now() is true."""
    process = night.start("--cores", "2", settings=SETTINGS)
    while not now():
        assert process.poll() is None, "it ended before it could be killed"
        time.sleep(0.002)
    time.sleep(later)
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def test_the_frames_are_those_of_an_undisturbed_run(killed, undisturbed):
    assert killed.hashes("walk") == undisturbed.hashes("walk")
    for name in ("walk_hd.mp4", "audit.json", "work/warps.json", "work/gains.csv"):
        assert (killed.results / "walk" / name).read_bytes() == (undisturbed.results / "walk" / name).read_bytes()


def test_nothing_is_left_to_do(killed):
    assert killed.planned(SETTINGS) == {}


def test_nothing_half_written_is_left(killed, undisturbed):
    """The same files as after an undisturbed run, beside Snakemake's own."""

    def files(night):
        found = (file.relative_to(night.results) for file in night.results.rglob("*"))
        found = {file for file in found if file.parts[0] != ".snakemake"}
        # A manifest has the time in its name.
        return {str(f)[: -len("2031-03-14_210410Z.mhl")] if f.suffix == ".mhl" else f for f in found}

    assert files(killed) == files(undisturbed)


def test_a_killed_join_is_done_again_though_the_clip_is_there(undisturbed, tmp_path):
    """With the index page that a failed night leaves, older than anything."""
    night = undisturbed.elsewhere(tmp_path / "results")
    for name in ("master.mkv", "master.framemd5", "report.html", "work/card.json", "work/times/master.tsv"):
        (night.results / "walk" / name).unlink()
    os.utime(night.results / "index.html", (1, 1))
    planned = night.planned(SETTINGS)
    assert {"master", "report"} <= planned["walk"] and "index" in planned[""]
