"""What a run keeps for its jobs on other machines."""

from pathlib import Path

import pytest

from house import night
from house.shoots import Shoot

SHOOTS = [Shoot(name, name, Path("/walks") / name, ["1.dng"], {"hold": "auto", "fps": 24}) for name in ("a", "b")]
LAYERS = [("config.yaml", {"fps": 24})]
TOKENS = {"a": {"1.dng": "10-20"}, "b": {"1.dng": "11-21"}}


def test_a_job_reads_its_own_shoot_as_it_was_at_the_start(tmp_path):
    night.keep(tmp_path, {"fps": 24}, LAYERS, SHOOTS, TOKENS)
    (tmp_path / night.FOLDER / "b.shoot").write_text("of no account")
    assert night.recall(tmp_path, {"a"}) == ({"fps": 24}, LAYERS, SHOOTS[:1], {"a": TOKENS["a"]})


def test_unchanged_files_stay(tmp_path):
    night.keep(tmp_path, {"fps": 24}, LAYERS, SHOOTS, TOKENS)
    before = {file: file.stat().st_ino for file in (tmp_path / night.FOLDER).iterdir()}
    changed = TOKENS | {"b": {"1.dng": "12-22"}}
    night.keep(tmp_path, {"fps": 24}, LAYERS, SHOOTS, changed)
    after = {file: file.stat().st_ino for file in (tmp_path / night.FOLDER).iterdir()}
    assert {file.name for file in after if after[file] != before[file]} == {"b.shoot"}
    assert night.recall(tmp_path, {"b"})[3] == {"b": changed["b"]}


def test_without_a_run(tmp_path):
    with pytest.raises(FileNotFoundError):
        night.recall(tmp_path, {"a"})
