"""./scripts/plan as a whole: what it prints, writes and refuses, and how soon."""

import json
import os
import re
import resource
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
EXAMPLE = ("--photos", "120", "--shutter", "3", "--move", "10")
LIGHT = ("--zone", "Europe/Berlin", "--date", "2026-12-05", "--start", "16:15")


@pytest.fixture
def plan(tmp_path, environment):
    """A function: run the command in an empty folder; (exit status, stdout, stderr)."""

    def run(*arguments):
        done = subprocess.run(
            [sys.executable, str(REPO / "scripts" / "plan"), *arguments],
            cwd=tmp_path,
            # a network that is used all the same fails
            env=os.environ | {"KERBWALK_ENV": environment, "http_proxy": "http://127.0.0.1:9", "PYTHONUTF8": "1"},
            capture_output=True,
            encoding="utf-8",
            timeout=60,
        )
        assert "Traceback" not in done.stderr, done.stderr
        return done.returncode, done.stdout, done.stderr

    return run


def test_the_example_for_programs(plan):
    status, said, _ = plan(*EXAMPLE, "--json")
    assert status == 0
    pace = {name: answer["value"] for name, answer in json.loads(said)["pace"].items()}
    assert pace["interval"] == 13 and pace["minutes"] == 26 and pace["clip"] == 5 and pace["fps"] == 24


def test_a_reader_who_stops_and_a_terminal_of_few_signs(plan, environment):
    command = shlex.join([sys.executable, str(REPO / "scripts" / "plan"), "--focal", "28"])
    variables = os.environ | {"KERBWALK_ENV": environment, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(
        ["bash", "-c", f"{command} --json | head -1; {command}"],
        env=variables,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "focal length" in done.stdout


def test_units_and_all_parts(plan):
    status, said, errors = plan(
        *("--walk", "1500 cm", "--minutes", "0.5 h", "--metered", "f/8 1/4 ISO 100", "--own", "0.3,0.9,ND64"),
        *("--focal", "28", "--near", "8m", "--far", "40", "--place", "-33.9,18.4", *LIGHT, "--card-size", "64"),
        *("--margin", "6%", "--noise-reduction", "on"),
    )
    assert (status, errors) == (0, "")
    titles = [line for line in said.splitlines() if re.fullmatch(r"[A-Z]\w+", line)]
    assert titles == ["Pace", "Exposure", "Lens", "Light", "Storage", "Mind"]
    assert re.search(r"length of the walk +15 m +asked", said)
    assert re.search(r"margin +6 % on each side +asked", said)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--clip", "5", "--fps", "24", "--photos", "100"), "4.167 s"),
        (("--shutter", "soon"), "--shutter"),
        (("--move", "0"), "more than 0"),
        (("--clip", "1e999"), "--clip"),
        (("--step",), "--step"),
        (("--stop", "3"), "--stop 3"),
        (("--phot", "3"), "--phot 3"),
        (("--own", "8"), "'8' names no filter"),
        (("--metered", "f/8"), "ISO 100"),
        (("--sensor", "big"), "full-frame"),
        (("--place", "91,0"), "latitude"),
        (("--place", "53.5,10"), "--date"),
        (("--place", "53.5,10", "--date", "2026-02-30"), "2026-12-05"),
        (("--date", "0001-01-01"), "1900"),
        (("--place", "53.5,10", "--date", "2026-02-03", "--zone", "UTC", "--interval", "9000"), "300 hours"),
        (("--zone", "../../etc/passwd"), "time zone"),
        (("--zone", ""), "time zone"),
        (("--start", "25:00"), "21:30"),
        (("--results", "nowhere"), "does not exist"),
        (("--card", "nowhere/card.pdf"), "does not exist"),
    ],
)
def test_bad_input_gets_one_sentence(plan, arguments, words):
    status, said, errors = plan(*arguments)
    assert (status, said) == (2, "")
    assert errors.startswith("kerbwalk: ") and len(errors.splitlines()) == 1
    assert words in errors


@pytest.mark.parametrize(("paper", "size", "times"), [("a6", (105, 148), 2), ("a5", (148, 210), 1)])
def test_the_card_is_one_page_of_its_size_with_a_text_beside_it(plan, tmp_path, paper, size, times):
    """Written twice, it has the same bytes."""
    options = (*EXAMPLE, "--focal", "28", "--place", "53.5,10", *LIGHT, "--paper", paper, "--name", "Über die Brücke")
    contents = set()
    for _ in range(times):
        assert plan(*options, "--card", "card") == (0, "", "")
        contents.add((tmp_path / "card.pdf").read_bytes())
    (content,) = contents
    assert content.startswith(b"%PDF-") and len(re.findall(rb"/Type /Page\b", content)) == 1
    box = [float(number) for number in re.search(rb"/MediaBox \[ ([\d. ]+) \]", content)[1].split()]
    assert [side / 72 * 25.4 for side in box[2:]] == pytest.approx(size, abs=0.1)
    assert "Über die Brücke" in (tmp_path / "card.txt").read_text(encoding="utf-8")
    assert {file.name for file in tmp_path.iterdir()} == {"card.pdf", "card.txt"}


def test_letters_that_the_card_s_font_lacks_are_told(plan, tmp_path):
    status, _, errors = plan("--name", "東の橋", "--card", "card")
    assert status == 0
    assert "東" in errors and len(errors.splitlines()) == 1
    assert "東の橋" in (tmp_path / "card.txt").read_text(encoding="utf-8")


def test_it_starts_quickly(plan):
    """Processor time, as others may share the machine; loading Matplotlib or SciPy alone would take the half."""
    plan(*EXAMPLE)  # compiles what is new
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert plan(*EXAMPLE, "--place", "53.5,10", *LIGHT)[0] == 0
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 0.8
