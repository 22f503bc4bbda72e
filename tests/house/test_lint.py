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
    """Its own linter needs a night to read the Snakefile for: one shoot will do, as no photo is opened."""
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
    assert result.returncode == 0, result.stderr
    assert "in a good condition" in result.stderr
