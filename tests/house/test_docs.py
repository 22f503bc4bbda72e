"""The docs: made pages are not out of date, every example does what it says, and every link leads somewhere."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from _arguments import TARGETS, take_apart
from house import settings

REPO = Path(__file__).resolve().parents[2]
PAGES = [REPO / "README.md", REPO / "DEVELOPERS.md", *sorted((REPO / "docs").glob("*.md"))]
TEXTS = {page: page.read_text(encoding="utf-8") for page in PAGES}


def commands(program):
    """The commands with a program that stand on lines of their own in the docs, without their comments."""
    found = set()
    for text in TEXTS.values():
        joined = text.replace("\\\n", " ")
        found |= {
            line.split(" # ")[0].strip() for line in joined.splitlines() if line.startswith(f"    ./scripts/{program}")
        }
    return sorted(found)


def test_made_pages_are_up_to_date():
    done = subprocess.run([sys.executable, REPO / "docs" / "make.py", "--check"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_settings_in_examples_are_settings(page):
    for block in re.findall(r"```yaml\n(.*?)```", TEXTS[page], re.DOTALL):
        settings.check(yaml.safe_load(block), page.name, night=False)
    for line in re.findall(r"`((?:look|light|audit|ingest|steady|framing): \{[^`]*\})`", TEXTS[page]):
        settings.check(yaml.safe_load(line), page.name, night=False)


@pytest.mark.parametrize("command", commands("run"))
def test_commands_of_runs_are_understood(command, tmp_path):
    arguments = take_apart(shlex.split(command)[1:], tmp_path)
    assert set(arguments.others) <= TARGETS
    assert {key for key, _ in arguments.config} <= {"shoots", "results"}


@pytest.mark.parametrize("command", commands("plan"))
def test_commands_of_plans_work(command, tmp_path):
    program, *options = shlex.split(command)
    variables = {"PYTHONPATH": str(REPO / "scripts")}
    plan = [sys.executable, REPO / "scripts" / "_plan.py", *options]
    done = subprocess.run(plan, cwd=tmp_path, capture_output=True, text=True, env=os.environ | variables)
    assert done.returncode == 0, done.stderr
    assert "--card" not in options or list(tmp_path.glob("*.pdf"))


def test_every_choice_is_listed_for_contributors():
    """Each that a page of reasons explains has its line, in the same order, under the page's name."""
    listed = re.split(r"\]\(docs/(why-\w+\.md)\):", TEXTS[REPO / "DEVELOPERS.md"])
    listed = dict(zip(listed[1::2], listed[2::2], strict=True))
    assert sorted(listed) == [page.name for page in PAGES if page.name.startswith("why-")]
    for name, lines in listed.items():
        explained = re.findall(r"^- \*\*(.*?)\.?\*\*", TEXTS[REPO / "docs" / name], re.MULTILINE | re.DOTALL)
        said = re.findall(r"^- ((?:.+\n?(?!- ))+)", lines.split("\n\n")[1], re.MULTILINE)
        assert len(explained) > 10
        for choice, line in zip(explained, said, strict=True):
            assert " ".join(line.split()).startswith(" ".join(choice.split()))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)\)", TEXTS[page]):
        assert (page.parent / target).exists(), target
