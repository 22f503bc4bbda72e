"""Which jobs may start, by the room that working frames take."""

import signal
import threading
from collections import defaultdict

import pytest

from snakemake_scheduler_plugin_kerbwalk import Scheduler, SchedulerSettings


class Path(str):
    def is_flagged(self, flag):
        return False


class Job:
    """A job of a shoot: "decode", which asks for room, "compose", or "ingest", which does with no frames."""

    def __init__(self, shoot, stage, takes=40, room=100, priority=0):
        files = {"decode": f"{shoot}/work/decoded/000.npy", "compose": f"{shoot}/work/composed/000.mkv"}
        self.output = [Path(files.get(stage, f"{shoot}/work/{stage}.json"))]
        self.input = [Path(files["decode"])] if stage == "compose" else []
        self.priority, self.name = priority, f"{shoot} {stage}"
        self.scheduler_resources = {"_cores": 1}
        if stage == "decode":
            self.scheduler_resources |= {"frames_mb": takes, "room_mb": room}


class Night:
    """Jobs, what is finished, and what is at work, on eight cores."""

    def __init__(self, *jobs):
        self.jobs, self.over, self.at_work = jobs, set(), 0
        self.scheduler = Scheduler(self, SchedulerSettings(), None)

    def needrun_jobs(self):
        return iter(self.jobs)

    def finished(self, job):
        return job in self.over

    def selected(self, *jobs):
        chosen = self.scheduler.select_jobs(set(jobs), jobs, {"_cores": 8 - self.at_work}, defaultdict(int))
        return sorted(job.name for job in chosen)


@pytest.fixture
def night(tmp_path, monkeypatch):
    """A function that makes a night, in whose results w0 has a frame of 1 MB."""
    (tmp_path / "w0" / "work" / "decoded").mkdir(parents=True)
    (tmp_path / "w0" / "work" / "decoded" / "000.npy").write_bytes(bytes(1_000_000))
    monkeypatch.chdir(tmp_path)
    return Night


def test_shoots_get_in_while_there_is_room_in_turn(night):
    jobs = [Job(f"w{k}", "decode", priority=9 - k) for k in range(1, 5)]
    others = [Job("w4", "ingest")]
    now = night(*jobs, *others)
    assert now.selected(*jobs, *others) == ["w1 decode", "w2 decode", "w4 ingest"]


def test_a_small_one_does_not_pass_one_that_waits(night):
    jobs = [Job("w1", "decode", priority=3), Job("w2", "decode", 70, priority=2), Job("w3", "decode", 1, priority=1)]
    assert night(*jobs).selected(*jobs) == ["w1 decode"]


def test_room_is_free_when_the_last_job_with_frames_is_finished(night):
    first, composes, second = Job("w1", "decode", 90, priority=1), Job("w1", "compose"), Job("w2", "decode", 90)
    now = night(first, composes, second)
    assert now.selected(first, second) == ["w1 decode"]
    now.over, now.at_work = {first}, 1
    assert now.selected(second) == []
    now.over = {first, composes}
    assert now.selected(second) == ["w2 decode"]


def test_what_an_earlier_run_left_is_counted_and_goes_on(night):
    composes, other = Job("w0", "compose"), Job("w1", "decode", 100)
    now = night(composes, other)
    assert now.selected(composes, other) == ["w0 compose"]


def test_frames_of_a_shoot_that_failed_go_when_nothing_else_can_be_done(night, tmp_path):
    failed, composes, other = Job("w0", "decode", 90, priority=1), Job("w0", "compose"), Job("w1", "decode", 90)
    now = night(failed, composes, other)
    assert now.selected(failed, other) == ["w0 decode"]
    now.at_work = 1
    assert now.selected(other) == [] and list(tmp_path.glob("w0/work/decoded/*"))
    now.at_work = 0
    assert now.selected(other) == ["w1 decode"] and not list(tmp_path.glob("w0/work/decoded/*"))


def test_without_a_limit_all_may_start(night):
    jobs = [Job(f"w{k}", "decode", 1e9, room=0) for k in range(1, 9)]
    assert len(night(*jobs).selected(*jobs)) == 8


def test_a_shoot_that_never_fits_may_say_so(night):
    jobs = [Job("w1", "decode", 101, priority=1), Job("w2", "decode", 100)]
    assert len(night(*jobs).selected(*jobs)) == 2


def test_a_signal_that_comes_while_a_lock_is_held_waits_for_it_elsewhere(night):
    lock, heard = threading.Lock(), threading.Event()

    def handler(*_told):
        if lock.acquire(timeout=5):
            heard.set()

    before = signal.signal(signal.SIGTERM, handler)
    try:
        night().selected()
        with lock:
            signal.raise_signal(signal.SIGTERM)
        assert heard.wait(5)
    finally:
        signal.signal(signal.SIGTERM, before)
