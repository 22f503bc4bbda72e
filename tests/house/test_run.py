"""./scripts/run as a whole, around a small Snakefile: places, locks, signals, and its closing words."""

import fcntl
import os
import pty
import signal
import subprocess
import time
from pathlib import Path

import pytest


def refused(result, *words):
    """It ended before anything began, with one sentence that holds `words`."""
    assert result.returncode == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1, result.stderr
    assert result.stderr.startswith("kerbwalk: ")
    assert all(str(word) in result.stderr for word in words), result.stderr


def test_without_shoots_the_demo_is_made_once_and_run(place):
    first = place.run()
    assert first.returncode == 0, first.stderr
    demo = place.root / "demo-night"
    assert first.stdout.splitlines()[-1] == f"done {demo / 'shoots'}"
    assert (demo / "results" / "python.txt").read_text().split() == f"{place.env}/bin/python {place.env}".split()

    second = place.run()
    assert second.returncode == 0, second.stderr
    assert second.stdout == f"nothing to do: all is up to date in {demo / 'results'}\n"


def test_paths_on_the_command_line_start_at_the_current_folder_and_may_hold_any_sign(place):
    (place.cwd / "walks: #1 'x' {y}").mkdir()
    result = place.run("--config", "shoots=walks: #1 'x' {y}", "results=clips ☾", "words=ready")
    assert result.returncode == 0, result.stderr
    assert result.stdout == f"ready {place.cwd / 'walks: #1 '}'x' {{y}}\n"
    assert (place.cwd / "clips ☾" / "slow.txt").exists()


def test_a_closing_line_that_begins_with_failed_fails_the_run(place):
    result = place.run("--config", "shoots=walks", "results=clips", "words=FAILED")
    assert result.returncode == 1
    assert result.stderr.splitlines()[-1] == f"FAILED {place.cwd / 'walks'}"


def test_what_failed_is_told_apart_from_what_is_done(place):
    result = place.run("--config", "shoots=walks", "results=clips", r'words= "done a\nFAILED b\ndone c" ')
    assert result.returncode == 1
    assert result.stdout == f"done a\ndone c {place.cwd / 'walks'}\n"
    assert result.stderr.splitlines()[-1] == "FAILED b"


def test_elsewhere_each_finished_step_is_a_line_and_nothing_else_is_said(place):
    result = place.run("--config", "shoots=walks", "results=clips")
    assert result.returncode == 0
    steps, numbers = zip(*(line.split(" (") for line in result.stderr.splitlines()), strict=True)
    assert sorted(steps[:2]) == ["python", "walk: being slow"] and steps[2:] == ("all that was asked for is there",)
    assert numbers == tuple(f"{k} of 3 steps done)" for k in (1, 2, 3))


def test_in_a_terminal_the_last_line_says_how_far_it_is(place):
    ours, theirs = pty.openpty()
    command = place.command("--config", "shoots=walks", "results=clips", "words=done")
    process = subprocess.Popen(
        command, cwd=place.cwd, env=place.variables() | {"TERM": "xterm"}, stdout=subprocess.PIPE, stderr=theirs
    )
    os.close(theirs)
    said = b""
    try:
        while part := os.read(ours, 65536):
            said += part
    except OSError:  # so a terminal ends
        pass
    assert process.communicate()[0].decode() == f"done {place.cwd / 'walks'}\n" and process.returncode == 0
    assert b"2 of 3 steps done\r\x1b[K" in said and b"Finished jobid" not in said
    assert said.endswith(b"\r\x1b[K")


@pytest.mark.parametrize(
    ("mistake", "sentence"),
    [
        ("ours", "kerbwalk: config.yaml: 'holt' is no setting: 'hold' is."),
        ("another", "kerbwalk: Snakemake stopped: an odd thing"),
    ],
)
def test_a_snakefile_that_cannot_be_read_gets_a_sentence(place, mistake, sentence):
    result = place.run("--config", "shoots=walks", "results=clips", f"mistake={mistake}")
    assert result.returncode == 2, "nothing was started"
    assert result.stderr.splitlines()[-1] == sentence
    assert "Traceback" not in result.stderr


def test_what_cannot_be_made_is_not_begun_and_a_job_that_fails_is(place):
    result = place.run("no-such-thing", "--config", "shoots=walks", "results=clips")
    assert result.returncode == 2
    assert result.stderr.splitlines()[-1].startswith("kerbwalk: there is nothing called 'no-such-thing' to be made; ")
    assert "No rule" not in result.stderr
    assert place.run("-n", "--config", "shoots=walks", "results=clips", "mistake=ours").returncode == 2
    assert place.run("--config", "shoots=walks", "results=clips", "seconds=a while").returncode == 1


def test_a_second_run_in_the_same_results_is_refused(place):
    clips = place.cwd / "clips"
    clips.mkdir()
    with open(clips / ".kerbwalk.lock", "w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        result = place.run("--config", "shoots=walks", "results=clips")
        assert result.returncode == 3
        assert result.stderr == (
            f"kerbwalk: another run is at work in {clips}: wait until it ends, or name other results.\n"
        )
        assert place.run("-n", "--config", "shoots=walks", "results=clips").returncode == 0


def started(place, *arguments):
    """A run whose slow job is at work."""
    process = place.start("--config", "shoots=walks", "results=clips", *arguments)
    deadline = time.monotonic() + 30
    while not (place.cwd / "clips" / "started").exists():
        assert time.monotonic() < deadline and process.poll() is None, process.communicate()[0]
        time.sleep(0.05)
    return process


def test_a_run_that_is_killed_takes_all_its_jobs_along(place):
    process = started(place, "seconds=30")
    assert at_work(place)
    process.kill()
    process.communicate(timeout=10)  # until nobody holds its output any more
    assert not at_work(place)


def test_the_run_after_a_kill_ends_what_was_left_and_finishes(place):
    process = started(place, "seconds=30")
    children = map(int, Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split())
    for watch in set(children) - set(at_work(place)):
        os.kill(watch, signal.SIGKILL)
    process.kill()
    process.wait()
    assert at_work(place), "the killed run left its jobs behind"
    result = place.run("--config", "shoots=walks", "results=clips", "seconds=0")
    assert result.returncode == 0, result.stderr
    assert not at_work(place)
    assert (place.cwd / "clips" / "slow.txt").exists()


@pytest.mark.parametrize("way", ["alone", "group", "both", "hangup"])
def test_an_interrupt_stops_the_jobs_at_once_and_words_are_said(place, way):
    """Sent to the run alone, to all its group as by a script, or to both as by timeout; or its terminal closes."""
    process = started(place, "seconds=30")
    before = time.monotonic()
    if way in ("alone", "both"):
        process.send_signal(signal.SIGINT)
    if way != "alone":
        os.killpg(process.pid, signal.SIGHUP if way == "hangup" else signal.SIGINT)
    said, _ = process.communicate(timeout=20)
    assert time.monotonic() - before < 10
    assert process.returncode == 1
    assert said.splitlines()[-1] == "FAILED one of them"
    assert "RuntimeError" not in said
    assert not at_work(place)


def test_what_asks_the_whole_group_to_end_lets_jobs_at_work_end(place):
    process = started(place, "seconds=2")
    os.killpg(process.pid, signal.SIGTERM)
    said, _ = process.communicate(timeout=20)
    assert said.splitlines()[-1] == "FAILED one of them"
    assert (place.cwd / "clips" / "slow.txt").exists()


def test_all_waits_while_the_run_is_suspended(place):
    process = started(place, "seconds=1")

    def suspended():
        stats = [Path(f"/proc/{pid}/stat").read_text() for pid in (process.pid, *at_work(place))]
        return all(stat.rpartition(")")[2].split()[0] == "T" for stat in stats)

    process.send_signal(signal.SIGTSTP)
    deadline = time.monotonic() + 10
    while not suspended():
        assert time.monotonic() < deadline
        time.sleep(0.02)
    assert len(at_work(place)) > 1
    process.send_signal(signal.SIGCONT)
    assert process.communicate(timeout=20)[0].splitlines()[-1].startswith("done ")


def at_work(place):
    """The processes that carry the mark of a run in the place's results."""
    from _launch import _at_work_in

    return _at_work_in(place.cwd / "clips")


def test_shoots_that_are_not_there(place):
    refused(place.run("--config", "shoots=nowhere"), place.cwd / "nowhere", "does not exist")
    (place.cwd / "file").touch()
    refused(place.run("--config", "shoots=file"), place.cwd / "file", "is a file")


def test_results_with_a_file_in_the_way(place):
    (place.cwd / "file").touch()
    refused(place.run("--config", "shoots=walks", "results=file"), place.cwd / "file", "a file of this name")
    refused(place.run("--config", "shoots=walks", "results=file/clips"), "a part of its path is a file")
    refused(place.run("--config", "shoots=walks", "results=walks"), "same folder")


@pytest.mark.parametrize(("options", "reason"), [("ro", "read-only"), ("size=16k", "full")])
def test_results_on_a_disk_that_takes_nothing(place, options, reason):
    """A small disk in memory, in a space of its own; root would pass over mere permissions."""
    (place.cwd / "disk").mkdir()
    inside = ["unshare", "--mount", "sh", "-c", 'mount -t tmpfs -o "$0" tmpfs disk && exec "$@"', options]
    if subprocess.run([*inside, "true"], cwd=place.cwd, capture_output=True).returncode:
        pytest.skip("mounting a disk in memory is not permitted here")
    command = place.command("--config", "shoots=walks", "results=disk")
    result = subprocess.run([*inside, *command], cwd=place.cwd, env=place.variables(), capture_output=True, text=True)
    refused(result, place.cwd / "disk", reason, "name another folder")


def test_results_without_permission(place):
    if os.geteuid() == 0:
        pytest.skip("root may write everywhere")
    (place.cwd / "closed").mkdir(mode=0o500)
    refused(place.run("--config", "shoots=walks", "results=closed"), "you may not write there")


def test_help_needs_no_environment(place):
    place.env = str(place.cwd / "none")
    result = place.run("--help")
    assert result.returncode == 0
    assert result.stdout.startswith("usage: ./scripts/run")
    assert not (place.cwd / "none").exists()
