"""The line on a real SLURM: the same frames as on one machine, whatever befalls jobs, node, controller and run."""

import os
import shutil
import signal
import time

import pytest

from tests.cluster.keeper import send
from tests.conftest import Night

QUICK = ("--slurm-init-seconds-before-status-checks", "1", "--seconds-between-status-checks", "1")
# Without an accounting database.
PLAIN = ("--slurm-status-command", "squeue")
# The first time it is killed for memory; the second time it has what it needs.
TOO_LITTLE = ("--set-resources", "hot:mem_mb=220 if attempt == 1 else 1500")


class Farm(Night):
    """A night that is run by way of the profile."""

    def command(self, *options, settings=None):
        return super().command("--workflow-profile", "slurm", *QUICK, *PLAIN, *options, settings=settings)

    def variables(self):
        return self.cluster.variables | {"KERBWALK_ENV": str(self.environment)}


@pytest.fixture(scope="module")
def befallen(cluster, little):
    """The little night on the cluster, with a job that is given too little memory, one that hangs beyond its time,
    one that is cancelled, a node and a controller that go away for a while, an edit of the settings, and a run that is
    killed and started again."""
    night = little("farm")
    night.__class__, night.cluster = Farm, cluster
    # Jobs find an environment whose path a shell has to be told in quotes.
    environment, night.environment = night.environment, night.results.with_name("it's an environment")
    night.environment.symlink_to(environment)

    def ended_as(rule, state):
        return any(rule in comment and state == now for _, comment, now in cluster.jobs())

    def running(rule):
        return [number for number, comment, state in cluster.jobs() if rule in comment and state == "RUNNING"]

    def wait_for(true):
        deadline = time.monotonic() + 240
        while not (found := true()):
            assert process.poll() is None, process.communicate()[0]
            assert time.monotonic() < deadline, "it did not come to that"
            time.sleep(0.05)
        return found

    process = night.start(*TOO_LITTLE, settings={})
    send(signal.SIGSTOP, wait_for(lambda: cluster.at_work(b"/scripts/lens.py\0--ingest\0")))
    cluster.call("scontrol", "update", f"jobid={running('rule_lens')[0]}", "endtime=now")
    cluster.call("scancel", wait_for(lambda: running("rule_decode"))[0])
    # What is edited now is the next run's affair.
    settings = night.results.with_name(night.results.name + ".settings.yaml")
    settings.write_text("no: [settings")
    wait_for(lambda: running("rule_track") and ended_as("rule_lens", "TIMEOUT"))
    night.lost = running("rule_track")[0]
    cluster.lose_node()
    cluster.begin_node()
    steady = wait_for(lambda: cluster.at_work(b"/scripts/steady.py\0--track\0"))
    # SLURM itself would be a while in telling of a job that ends just then.
    send(signal.SIGSTOP, steady)
    before = cluster.unanswered()
    cluster.end("slurmctld")
    wait_for(lambda: cluster.unanswered() > before)
    cluster.begin_controller()
    send(signal.SIGCONT, steady)
    wait_for(lambda: running("rule_compose"))
    night.left = set(running("rule_compose"))
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate()
    night.said = night.finish(settings={})
    night.jobs = cluster.jobs()
    night.lost = cluster.told_of(night.lost)
    return night


def test_the_frames_are_those_of_one_machine(befallen, undisturbed):
    """Though in parts of another length."""
    assert befallen.hashes("walk") == undisturbed.hashes("walk")
    clips = [(night.results / "walk" / "walk_hd.mp4").read_bytes() for night in (befallen, undisturbed)]
    assert clips[0] == clips[1]


def test_everything_befell(befallen):
    states = {}
    for _, comment, state in befallen.jobs:
        states.setdefault(comment.split("_wildcards_")[0], []).append(state)
    assert "FAILED" in states["rule_hot"] or "OUT_OF_MEMORY" in states["rule_hot"], "killed for memory"
    assert "TIMEOUT" in states["rule_lens"], "hung"
    assert "CANCELLED" in states["rule_decode"]
    assert {number for number, _, state in befallen.jobs if state == "CANCELLED"} >= befallen.left, "of the killed run"


def test_memory_beyond_what_was_asked_for_is_denied_by_the_kernel(befallen, cluster):
    """And all other jobs were done within what they had asked for."""
    if not cluster.by_kernel:
        pytest.skip("the kernel's groups (cgroups, version 1) cannot be used here: SLURM's own watch killed the job")
    denied = [
        (comment.split("_wildcards_")[0], state) for job, comment, state in befallen.jobs if job in cluster.denied()
    ]
    assert denied in ([("rule_hot", "FAILED")], [("rule_hot", "OUT_OF_MEMORY")])


def test_the_job_of_the_lost_node_was_done_again_by_the_same_run(befallen):
    assert (befallen.lost["JobState"], befallen.lost["Restarts"]) == ("COMPLETED", "1")


def test_nothing_is_left_to_do(befallen):
    assert Night.planned(befallen, {}) == {}


def test_a_shoots_jobs_wait_behind_those_of_the_shoots_before_it(little, cluster, tmp_path):
    night = little("turns")
    night.__class__, night.cluster = Farm, cluster
    shoots, night.shoots = night.shoots, tmp_path / "shoots"
    for name, priority in (("first", 5), ("last", 0), ("middle", 1)):
        shutil.copytree(shoots / "walk", night.shoots / name)
        (night.shoots / name / "shoot.yaml").write_text(f"priority: {priority}")
    cluster.call("scontrol", "update", f"nodename={cluster.node}", "state=drain", "reason=waiting")
    process = night.start("audit")
    try:
        cluster.until(lambda: len(cluster.waiting()) == 3, "three jobs", 120)
        by_turn = [("first", "0"), ("middle", "100"), ("last", "200")]
        assert cluster.waiting() == [(f"rule_ingest_wildcards_{name}", nice) for name, nice in by_turn]
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        cluster.call("scancel", "--me")
        cluster.call("scontrol", "update", f"nodename={cluster.node}", "state=resume")


def test_each_job_asked_for_what_it_needs(befallen, cluster):
    """Memory and minutes as functions of the photos, not one size for all."""
    asked = cluster.call("squeue", "--noheader", "--states=all", "--format=%k\t%m\t%l\t%c")
    by_rule = {line.split("_wildcards_")[0]: line.split("\t")[1:] for line in asked.splitlines()}
    assert len({tuple(what) for what in by_rule.values()}) > 4
    assert all(memory.endswith("M") for memory, _, _ in by_rule.values())
