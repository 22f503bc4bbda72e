"""What jobs ask of a scheduler."""

import json

import pytest

from house import resources


@pytest.mark.parametrize("stage", sorted(resources.MEMORY.keys() - {"draft"}))
def test_no_job_of_a_shoot_of_24_megapixels_asks_for_two_gigabytes(stage):
    assert 300 < resources.memory_mb(stage, 24.2, 120) < 2048


@pytest.mark.parametrize("stage", resources.MEMORY)
def test_each_attempt_gets_more(stage):
    asked = [resources.memory_mb(stage, 6, 120, attempt) for attempt in (1, 2, 3)]
    assert asked[1] > 1.5 * asked[0] and asked[2] > 2 * asked[0]
    times = [resources.minutes(stage, 6, 120, attempt) for attempt in (1, 2, 3)]
    assert times == sorted(set(times))


def test_megapixels(tmp_path):
    photo = tmp_path / "a.dng"
    photo.write_bytes(bytes(2_000_000))
    assert resources.megapixels(tmp_path / "none.json", photo) == 1
    photo.rename(tmp_path / "a.cr3")
    assert resources.megapixels(tmp_path / "none.json", tmp_path / "a.cr3") == 2
    found = [{"problem": None, "width": 3000, "height": 2000}, {"problem": "cut short", "width": None, "height": None}]
    (tmp_path / "ingest.json").write_text(json.dumps({"photos": found}))
    assert resources.megapixels(tmp_path / "ingest.json", photo) == 6
