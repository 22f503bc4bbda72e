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


# Peaks of a stage's own processes, by benchmarks/memory.py over 32 photos of 24 megapixels, over 120 and 480 of 6, and
# over 1,000 of 1.5.
MEASURED = {
    ("ingest", 24, 32, None): 512,
    ("ingest", 6, 120, None): 399,
    ("ingest", 6, 480, None): 367,
    ("audit", 24, 32, None): 215,
    ("audit", 6, 120, None): 253,
    ("audit", 6, 480, None): 316,
    ("hot", 24, 32, None): 1026,
    ("hot", 6, 120, None): 431,
    ("decode", 1.5, 480, None): 489,
    ("decode", 6, 120, None): 500,
    ("decode", 24, 12, None): 739,
    ("draft", 24, 40, None): 622,
    ("draft", 6, 120, None): 708,
    ("draft", 1.5, 120, None): 792,
    ("draft", 1.5, 1000, None): 1012,
    ("follow", 6, 120, None): 195,
    ("follow", 1.5, 1000, None): 245,
    ("track", 6, 120, None): 164,
    ("steady", 24, 32, None): 214,
    ("steady", 6, 120, None): 298,
    ("steady", 1.5, 480, None): 302,
    ("steady", 1.5, 1000, None): 338,
    ("framing", 6, 120, None): 95,
    ("framing", 6, 480, None): 116,
    ("light", 6, 120, None): 161,
    ("light", 6, 480, None): 231,
    ("light", 1.5, 1000, None): 426,
    ("report", 24, 32, None): 288,
    ("report", 6, 120, None): 343,
    ("report", 1.5, 120, None): 353,
    ("report", 1.5, 1000, None): 435,
    ("compose", 1.5, 1000, ("compose", (1920, 1080))): 760,
    ("deliver", 1.5, 1000, ("h264", (1920, 1080))): 463,
    ("compose", 24, 32, ("compose", (1920, 1080))): 734,
    ("compose", 24, 32, ("compose", (3840, 2160))): 1637,
    ("compose", 24, 32, ("compose", (640, 360))): 421,
    ("master", 24, 32, ("master", (1920, 1080))): 127,
    ("master", 24, 32, ("master", (3840, 2160))): 258,
    ("deliver", 24, 32, ("h264", (1920, 1080))): 494,
    ("deliver", 6, 120, ("h264", (1920, 1080))): 426,
    ("deliver", 6, 360, ("h264", (1920, 1080))): 421,
    ("deliver", 24, 32, ("hevc", (3840, 2160))): 1989,
    ("deliver", 24, 32, ("prores", (1920, 1080))): 661,
    ("deliver", 24, 32, ("webp", (640, 360))): 186,
    ("deliver", 24, 32, ("jpeg", (1920, 1080))): 194,
}


@pytest.mark.parametrize("job", MEASURED)
def test_what_was_measured_is_asked_for_within_a_quarter(job):
    stage, megapixels, count, made = job
    needed = resources.SNAKEMAKE_MB + MEASURED[job]
    assert needed < resources.memory_mb(stage, megapixels, count, made=made) < 1.25 * needed


def test_the_size_of_photos(tmp_path):
    photo = tmp_path / "a.dng"
    photo.write_bytes(bytes(3_000_000))
    assert resources.photo_size(tmp_path / "none.json", photo) == (1500, 1000)
    photo.write_bytes(bytes(1_500_000))
    photo.rename(tmp_path / "a.cr3")
    assert resources.photo_size(tmp_path / "none.json", tmp_path / "a.cr3") == (1500, 1000)
    found = [{"problem": None, "width": 3000, "height": 2000}, {"problem": "cut short", "width": None, "height": None}]
    (tmp_path / "ingest.json").write_text(json.dumps({"photos": found}))
    assert resources.photo_size(tmp_path / "ingest.json", photo) == (3000, 2000)


def test_frames_of_24_megapixels_are_decoded_at_half_the_size_unless_more_is_asked_for():
    decoded = [resources.decoded_mb((6000, 4000), 120, boxes) for boxes in ([[1920, 1080]], [[3840, 2160]])]
    assert decoded == [4321, 17281]
