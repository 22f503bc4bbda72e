"""The checkers of style find nothing."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("command", ["ruff check .", "snakefmt --check Snakefile workflow"])
def test_clean(command):
    result = subprocess.run(
        [sys.executable, "-m", *command.split()], cwd=REPO, capture_output=True, text=True, timeout=60
    )
    assert result.returncode == 0, result.stdout + result.stderr


def test_snakemake_lint(tmp_path, environment):
    """Its own linter needs a night to read the Snakefile for: one shoot will do, as no photo is opened.

    One thing it asks of every rule is left out on purpose: a conda environment or container. The software of
    all rules is the one pinned environment of envs/, which ./scripts/run builds.
    """
    (tmp_path / "shoots" / "walk").mkdir(parents=True)
    for number in range(3):
        (tmp_path / "shoots" / "walk" / f"{number}.dng").write_bytes(b"not opened")
    places = [f"shoots={tmp_path / 'shoots'}", f"results={tmp_path / 'results'}"]
    result = subprocess.run(
        [sys.executable, str(REPO / "scripts" / "run"), "--lint", "--config", *places],
        env=os.environ | {"KERBWALK_ENV": environment},
        capture_output=True,
        text=True,
        timeout=60,
    )
    lines = result.stderr.splitlines()
    assert any(line.startswith("Lints for ") or "in a good condition" in line for line in lines), (
        result.stderr
    )
    found, item = [], ""
    for line in lines:
        if line.startswith("Lints for "):
            item = line.removeprefix("Lints for ")
        elif line.startswith("    * ") and "Specify a conda environment or container" not in line:
            found.append(item + line.strip(" *"))
    assert not found, "\n".join(found)
