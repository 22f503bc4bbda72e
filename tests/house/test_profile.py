"""Which executor a command line asks for, before there is an environment to ask Snakemake in."""

from pathlib import Path

import pytest

import _profile

REPO = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("argv", "executor"),
    [
        ([], None),
        (["-n", "--cores", "2"], None),
        (["--workflow-profile", "workflow/profiles/slurm"], "slurm"),
        (["--workflow-profile=slurm", "-n"], "slurm"),
        (["--workflow-profile", "default"], None),
        (["--workflow-profile", "nowhere"], None),
        (["--executor", "slurm"], "slurm"),
        (["--workflow-profile", "slurm", "--executor", "local"], "local"),
        (["--profile", "mine"], "lsf"),
    ],
)
def test_executor(argv, executor, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "config.v9+.yaml").write_text("jobs: 10\nexecutor: 'lsf'\n")
    assert _profile.executor(argv, tmp_path, REPO) == executor
