"""A clock that ran ahead and is set right, before a run and in the middle of one: nothing is made twice."""

import os
import re
import shutil
import time

import pytest

from tests.conftest import Night

DAY = 86_400
SETTINGS = {"frames_per_job": 3}


@pytest.fixture(scope="module")
def night(undisturbed, tmp_path_factory):
    """The little night with results of its own."""
    results = tmp_path_factory.mktemp("clock") / "results"
    shutil.copytree(undisturbed.results, results, symlinks=True)
    return Night(undisturbed.root, undisturbed.shoots, results, undisturbed.environment)


def ahead(night):
    """Let all results be of tomorrow, as if the clock had been set back by a day since."""
    for file in night.results.joinpath("walk").rglob("*"):
        stamp = file.stat().st_mtime + DAY
        os.utime(file, (stamp, stamp))


def rules(night):
    """Those of the jobs that the last run has done, by Snakemake's own log."""
    log = max((night.results / ".snakemake" / "log").iterdir(), key=lambda file: file.name)
    return re.findall(r"Finished jobid: \d+ \(Rule: (\w+)\)", log.read_text())


def told(said):
    return sum("time stamp that is still to come" in line for line in said.splitlines())


def test_results_of_tomorrow(night):
    """Which were all made again at every run where some of them were missing."""
    (night.results / "walk" / "work" / "warps.json").unlink()
    ahead(night)
    said = night.finish("--cores", "2", "walk/work/warps.json", settings=SETTINGS)
    assert told(said) == 1
    assert rules(night) == ["steady"]


def test_a_clock_that_is_set_back_while_a_job_is_at_work(night):
    sights, log, warps = (
        night.results / "walk" / "work" / name for name in ("sights.npz", "logs/follow.log", "warps.json")
    )
    for file in (sights, log, warps):
        file.unlink()
    process = night.start("--cores", "2", "walk/work/warps.json", settings=SETTINGS)
    while not log.exists():
        assert process.poll() is None, process.communicate()[0]
        time.sleep(0.002)
    ahead(night)
    said = process.communicate(timeout=200)[0]
    assert process.returncode == 0, said
    assert not told(said), "at its start all was right"
    assert rules(night) == ["follow", "track", "steady"]


def test_what_was_made_is_the_same_and_nothing_is_left_to_do(night, undisturbed):
    for name in ("track.json", "warps.json"):
        made, known = ((one.results / "walk" / "work" / name).read_bytes() for one in (night, undisturbed))
        assert made == known, name
    assert "nothing to do" in night.finish("--cores", "2", "walk/work/warps.json", settings=SETTINGS)
