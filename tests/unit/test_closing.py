"""The end of a night: what other programs are told, and what working frames take."""

import json
import re
import shlex
import sys
from pathlib import Path

import pytest

from files.frames import kept_frames
from house import closing
from house.shoots import Shoot
from kerbwalk import finding

OUTCOMES = [
    {"shoot": "a", "done": True, "clips": ["a/a_hd.mp4"], "reasons": []},
    {"shoot": "b", "done": False, "clips": [], "reasons": ["b: no photos; copy them"]},
]


def test_summary(tmp_path):
    closing.write_summary(tmp_path / "summary.json", OUTCOMES, 1000, 1090.4)
    summary = json.loads((tmp_path / "summary.json").read_text())
    assert summary == {
        "ended": "1970-01-01T00:18:10+00:00",
        "seconds": 90,
        "done": 1,
        "failed": 1,
        "shoots": OUTCOMES,
    }


def test_the_command_gets_the_path_and_no_shell_reads_it(tmp_path):
    summary = tmp_path / "$(touch sprung); summary.json"
    program = tmp_path / "told.py"
    program.write_text("import sys, pathlib; pathlib.Path(sys.argv[0] + '.txt').write_text(repr(sys.argv[1:]))")
    assert closing.tell(shlex.join([sys.executable, str(program), "--file"]), summary) == []
    assert (tmp_path / "told.py.txt").read_text() == repr(["--file", str(summary)])
    assert not list(tmp_path.glob("sprung*"))


@pytest.mark.parametrize("command", ["/nowhere/at all", "false", "unclosed 'quote"])
def test_a_command_that_fails_is_told_of_and_no_more(command, tmp_path):
    (said,) = closing.tell(command, tmp_path / "summary.json")
    assert said.startswith("on_finish: ")


@pytest.mark.parametrize(
    ("command", "how"),
    [
        ("sh -c 'exit 3'", "has failed with status 3"),
        ("sh -c 'kill -9 $$'", "was ended by SIGKILL"),
        ("sh -c 'exec sleep 9'", "had not ended after 0.3 seconds, and was stopped"),
    ],
)
def test_a_command_that_fails_is_told_as_one_would_type_it(command, how, tmp_path, monkeypatch):
    monkeypatch.setattr(closing, "PATIENCE", 0.3)
    summary = tmp_path / "a summary.json"
    told = f"on_finish: {command} '{summary}' {how}; correct the command in the settings"
    assert closing.tell(command, summary) == [told]


def test_the_closing_lines_name_the_index_page_where_it_is_of_this_run(tmp_path):
    told = ["note    n", f"done    a: {tmp_path}/a/a_hd.mp4", "FAILED  b: b: no photos; copy them"]
    page, count = f"page    {tmp_path}/index.html", "1 of 2 shoots finished"
    assert closing.text(tmp_path, OUTCOMES, ["n"], True).splitlines() == [*told, count]
    (tmp_path / "index.html").touch()
    assert closing.text(tmp_path, OUTCOMES, ["n"], True).splitlines() == [*told, page, count]
    assert closing.text(tmp_path, OUTCOMES, ["n"], False).splitlines() == [*told, count]


def test_what_is_amiss_is_told_of_where_the_clip_was_made(tmp_path):
    # That of "e" is of an earlier version, which said nothing of it.
    said = {"a": {"amiss": []}, "b": {"amiss": ["is not still"]}, "c": {"amiss": ["is not still"]}, "e": {}}
    for name, card in said.items():
        (tmp_path / name / "work").mkdir(parents=True)
        (tmp_path / name / "work" / "card.json").write_text(json.dumps(card))
    shoots = [Shoot(name, name, tmp_path) for name in "abcde"]
    outcomes = [{"done": name != "c"} for name in "abcde"]
    assert closing.amiss(outcomes, shoots, tmp_path) == ["b: is not still"]


def test_a_clip_that_nobody_asks_for_now_is_told_of(tmp_path):
    for name in ("a_hd.mp4", "a_poster.jpg", "a b_hd.mp4"):
        (tmp_path / "a").mkdir(exist_ok=True)
        (tmp_path / "a" / name).touch()
    shoot = Shoot("a", "a", tmp_path)

    def told(done, *files):
        return closing.left_over([{"done": done}], [shoot], tmp_path, lambda shoot: files)

    assert told(True, "a/a_hd.mp4", "a/a_poster.jpg") == told(False, "a/a_hd.mp4") == []
    (said,) = told(True, "a/a_hd.mp4")
    assert said.startswith("a: a_poster.jpg: made by earlier settings")


def test_a_verify_that_failed_is_told_of_until_one_has_not(tmp_path):
    log = tmp_path / "a" / "work" / "logs" / "verify.log"
    assert closing.doubted([Shoot("a", "a", tmp_path)], tmp_path) == []
    log.parent.mkdir(parents=True)
    for text, said in (("cd / && verify\nkerbwalk: spoilt\n", ["a: the last 'verify' said: spoilt"]), ("cd /\n", [])):
        log.write_text(text)
        assert closing.doubted([Shoot("a", "a", tmp_path)], tmp_path) == said


def test_monitors_are_told_warnings_of_what_is_done(tmp_path):
    (tmp_path / "a" / "work").mkdir(parents=True)
    (tmp_path / "a" / "work" / "card.json").write_text(json.dumps({"amiss": ["is not still"]}))
    findings = [finding.finding("x", severity, [], 0, 0, severity) for severity in ("note", "warning", "fault")]
    (tmp_path / "a" / "audit.json").write_text(json.dumps({"findings": findings}))
    (done,) = closing.outcomes([Shoot("a", "a", tmp_path)], tmp_path, lambda shoot: [], lambda shoot: [], 0)
    assert done["warnings"] == ["warning", "fault", "is not still"]


def test_what_working_frames_take(tmp_path, monkeypatch):
    work = tmp_path / "a" / "work"
    files = ["decoded/000.npy", "composed/000.mkv", "composed/000.yuv", "3840x2160/composed/000.mkv"]
    others = ["composed/000.framemd5", "proxies/000.npz", "3840x2160/master.mkv", "warps.json"]
    for name in files + others:
        (work / name).parent.mkdir(parents=True, exist_ok=True)
        (work / name).write_bytes(bytes(100))
    assert {str(file.relative_to(work)) for file in kept_frames(tmp_path / "a")} == set(files)
    shoots = [Shoot("a", "a", tmp_path)]
    assert closing.frames(shoots, tmp_path, []) == []
    monkeypatch.setattr(closing, "MUCH", 300)
    assert "working frames take" in closing.frames(shoots, tmp_path, [])[0]


@pytest.mark.parametrize(
    ("faults", "told", "last"), [(3, 3, "a: 2 is bad"), (40, 3, "a: 38 more findings of this kind")]
)
def test_of_many_photos_with_one_fault_a_few_are_told(tmp_path, faults, told, last):
    findings = [{"code": "other_camera", "severity": "fault", "message": f"{k} is bad"} for k in range(faults)]
    findings += [{"code": "dust", "severity": "warning", "message": "dust"}]
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "audit.json").write_text(json.dumps({"findings": findings}))
    shoots = [Shoot("a", "a", tmp_path)]
    lines = closing.notices(shoots, tmp_path, [])
    assert len(lines) == 3 and lines[-1].startswith(last)
    assert closing.notices(shoots, tmp_path, ["audit"]) == [*lines, "a: dust"]


def test_a_draft_tells_what_its_own_audit_found(tmp_path):
    findings = [{"code": "two_shoots", "severity": "warning", "message": "two shoots"}]
    findings += [{"code": "dust", "severity": "warning", "message": "dust"}]
    work = tmp_path / "a" / "draft" / "work"
    work.mkdir(parents=True)
    (work / "audit.json").write_text(json.dumps({"findings": findings}))
    shoots = [Shoot("a", "a", tmp_path)]
    assert closing.notices(shoots, tmp_path, ["draft"]) == ["a: two shoots"]
    assert closing.notices(shoots, tmp_path, []) == closing.notices(shoots, tmp_path, ["audit"]) == []


def test_the_gravest_warning_of_each_shoot_is_told_in_a_line(tmp_path, monkeypatch):
    def audited(name, *codes):
        found = [{"code": c, "severity": "warning", "message": f"{c}: {'very ' * 40}so"} for c in codes]
        found += [{"code": "damaged", "severity": "fault", "message": "damaged"}]
        (tmp_path / name).mkdir()
        (tmp_path / name / "audit.json").write_text(json.dumps({"findings": found}))
        return Shoot(name, name, tmp_path)

    shoots = [audited("a", "dust", "not_sharp", "wide_lens", "changed"), audited("b", "dust", "dust"), audited("c")]
    first, second = closing.warnings(shoots, tmp_path, [])
    assert first.startswith("a: not_sharp: very") and first.endswith(" ...; and 2 more warnings") and len(first) < 200
    assert second.startswith("b: dust: ") and second.endswith(" ...; and 1 more warning")
    monkeypatch.setattr(closing, "WARNED", 1)
    told = closing.warnings(shoots, tmp_path, [])
    assert told == ["there are warnings of 2 more shoots; each one's report has its own"]


def test_every_warning_has_its_place_among_the_others():
    developers = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    (listed,) = re.findall(r"Warnings: ([^.]*)\.", developers)
    listed = set(re.findall(r"`(\w+)`", listed))
    assert len(listed) > 20 and listed == set(finding.GRAVEST_FIRST)


def test_a_clip_without_its_master_is_not_done(tmp_path):
    """As a kill leaves it while the master is written."""
    shoot = Shoot("walk", "walk", tmp_path)
    (tmp_path / "walk").mkdir()
    (tmp_path / "walk" / "clip.mp4").touch()

    def outcome():
        return closing.outcomes([shoot], tmp_path, lambda s: ["walk/clip.mp4"], lambda s: ["walk/master.mkv"], 0)[0]

    assert not outcome()["done"]
    assert outcome()["reasons"] == ["stopped before it was finished; start the same command again"]
    (tmp_path / "walk" / "master.mkv").touch()
    assert outcome() == {"shoot": "walk", "done": True, "clips": ["walk/clip.mp4"], "reasons": [], "warnings": []}


SLURM = "Job 0: {}: following corners\n{}\nsrun: error: task 0: Terminated\n"
KILLED = "slurmstepd-n: error: Detected 1 oom-kill event(s) in StepId=25.batch."
LATE = "slurmstepd: error: *** JOB 25 ON n CANCELLED AT 2031-03-14T21:00:00 DUE TO TIME LIMIT ***"


@pytest.mark.parametrize(
    ("logs", "words"),
    [
        ([KILLED] * 3, ("follow was ended by SLURM for the memory", "25.log", "--set-resources follow:mem_mb=MB")),
        ([KILLED, LATE, LATE], ("for the time", "--set-resources follow:runtime=MINUTES")),
        ([KILLED] * 2, ("stopped before it was finished",)),
    ],
)
def test_a_job_that_slurm_ends_at_each_try_is_told_of(tmp_path, logs, words):
    """One of which fewer tries failed was well at last; others' jobs are others'."""
    for k, log in enumerate(logs):
        for shoot in ("walk", "long walk"):
            file = tmp_path / f".snakemake/slurm_logs/rule_follow/{shoot}/{23 + k}.log"
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(SLURM.format(shoot, log if shoot == "walk" else KILLED))
    shoot = Shoot("walk", "walk", tmp_path)
    (outcome,) = closing.outcomes([shoot], tmp_path, lambda s: ["walk/clip.mp4"], lambda s: [], 0, retries=2)
    (reason,) = outcome["reasons"]
    assert all(word in reason for word in words)


def test_clips_and_sequences_get_the_shoots_true_name(tmp_path):
    """Again where a clip was made anew."""
    shoots = [Shoot('"dusk"', ".dusk-1", tmp_path), Shoot("plain", "plain", tmp_path)]
    folder = tmp_path / ".dusk-1"
    (folder / ".dusk-1_stills").mkdir(parents=True)
    for content in ("first", "second"):
        for name in (".dusk-1_hd.mp4", ".dusk-1_stills/0001.tif"):
            (folder / name).unlink(missing_ok=True)
            (folder / name).write_text(content)
        closing.publish(shoots, tmp_path)
        assert (folder / '"dusk"_hd.mp4').read_text() == content
        assert (folder / '"dusk"_stills' / "0001.tif").read_text() == content
    assert len(list(folder.iterdir())) == 4
