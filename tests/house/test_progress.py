"""What is said of a run while it is under way."""

import re
from pathlib import Path

import pytest

from _launch import under_name
from _progress import _SECONDS, Progress

RULES = Path(__file__).resolve().parents[2] / "workflow" / "rules"

BEGIN = """\
Job stats:
job        count
-------  -------
decode         2
compose        2
report         1
all            1
total          6

Select jobs to execute...
"""
FINISHED = "Finished jobid: 3 (Rule: {})\n"


class Clock:
    now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture
def run():
    """A function: a run of so many seconds by whose end jobs of these rules are finished; its progress, and what
    was written."""

    def after(seconds, *rules, live):
        clock = Clock()
        progress = Progress(live, clock)
        written = "".join(map(progress.feed, BEGIN.splitlines(keepends=True)))
        clock.now += seconds
        for k, rule in enumerate(rules, 1):
            said = "\n", "[Fri Nov 27 22:42:31 2026]\n", "Job 3: walk: at work\n"
            for line in (
                *said[: 3 * (rule != "all")],
                FINISHED.format(rule),
                f"{k} of 6 steps ({k * 100 // 6}%) done\n",
                "Execute 1 jobs...\n",
            ):
                written += progress.feed(line)
        return progress, written

    return after


def test_time_left_is_what_the_rest_takes_at_the_rate_so_far(run):
    """Both decodes are 10 of 10 + 18 + 4.5 seconds."""
    progress, _ = run(600, "decode", "decode", live=True)
    assert progress.state() == "0 of 1 shoots, 2 of 6 steps done, about 22 min left"
    progress, _ = run(36000, "decode", "decode", "compose", "compose", live=True)
    assert progress.state().endswith("4 of 6 steps done, about 1 h 36 min left")
    progress, _ = run(60, "decode", "decode", "compose", "compose", "report", live=True)
    assert progress.state() == "1 of 1 shoots, 5 of 6 steps done, less than a minute left"


def test_nothing_is_said_of_it_too_soon_or_at_the_end(run):
    assert run(1, "decode", live=True)[0].state() == "0 of 1 shoots, 1 of 6 steps done"
    everything = "decode", "decode", "compose", "compose", "report", "all"
    assert run(100, *everything, live=True)[0].state() == "1 of 1 shoots, 6 of 6 steps done"


def test_elsewhere_than_in_a_terminal_each_finished_step_is_a_line(run):
    _, written = run(600, "decode", "all", live=False)
    assert written.splitlines() == [
        "walk: at work (1 of 6 steps done, about 55 min left)",
        "all that was asked for is there (2 of 6 steps done, about 49 min left)",
    ]


def test_a_shoot_that_works_under_an_id_is_told_by_its_name(tmp_path):
    (tmp_path / "{a} walk").mkdir()
    (tmp_path / ".a-walk-0123").symlink_to("{a} walk")
    (tmp_path / "b").symlink_to("{a} walk")
    progress = Progress(False, named=lambda message: under_name(tmp_path, message))
    said = ("Job 1: .a-walk-0123: at work", "Job 2: b: at work", "Job 3: .c: at work", "Job 4: at work")
    shown = "".join(map(progress.feed, [*said, *(f"Finished jobid: {k} (Rule: look)" for k in (1, 2, 3, 4))]))
    assert re.findall(r"(.*) \(", shown) == ["{a} walk: at work", "b: at work", ".c: at work", "at work"]


def test_of_a_job_without_a_message_and_of_one_that_failed_no_block_is_shown(run):
    progress, _ = run(1, "decode", live=False)
    said = ["localrule all:", "    input: a", "    jobid: 0", "Job 7: walk: making the look", "Error in rule look:"]
    said += ["    message: None", "    jobid: 7", "    shell:", "        false", "No space left", "    jobid: 7"]
    assert "".join(progress.feed(line + "\n") for line in said) == (
        "walk: making the look failed: the last lines say why\nNo space left\n    jobid: 7\n"
    )


def test_in_a_terminal_one_line_is_kept_up_to_date(run):
    progress, written = run(600, "decode", live=True)
    assert "Finished" not in written and "Execute" not in written
    assert written.endswith("\r\x1b[K0 of 1 shoots, 1 of 6 steps done, about 55 min left")
    shown = progress.feed("walk: a photo cannot be read\n")
    assert shown == "\r\x1b[Kwalk: a photo cannot be read\n" + progress.state()
    assert progress.end() == "\r\x1b[K"


def test_without_jobs_there_is_no_such_line():
    assert Progress(True).feed("Nothing to be done\n") == "\r\x1b[KNothing to be done\n"


@pytest.mark.parametrize("rule", _SECONDS)
def test_what_takes_long_is_a_rule_whose_jobs_do_work(rule):
    text = "\n".join(path.read_text(encoding="utf-8") for path in sorted(RULES.glob("*.smk")))
    block = re.search(rf"^(?:use )?rule (?:\w+ as )?{rule}(?: with)?:\n(.*?)(?=^\S|\Z)", text, re.M | re.S)
    assert block and "localrule" not in block[1]
