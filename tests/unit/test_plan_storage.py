"""Cards, batteries, and the night's time from what was measured."""

import json
import math

import pytest

from files import times
from kerbwalk.plan import storage

TSV = "s\th:m:s\tmax_rss\tcpu_time\n{0}\t0:00:01\t1.0\t{0}\n"


def finished(results, name, photos, size, decode, compose, deliver=1.0):
    """A shoot's folder as a run leaves it; seconds of three stages."""
    work = results / name / "work"
    (work / "times").mkdir(parents=True)
    photo = {"width": size[0], "height": size[1], "problem": None}
    (work / "ingest.json").write_text(json.dumps({"photos": [photo] * photos}))
    for part, seconds in (("decode.000", decode), ("compose.000", compose), ("deliver", deliver)):
        (work / "times" / f"{part}.tsv").write_text(TSV.format(seconds))
    (work.parent / "clip.mp4").write_bytes(bytes(1000))
    return work


def test_earlier_runs_are_summed(tmp_path):
    finished(tmp_path, "a", 10, (3000, 2000), decode=6.0, compose=9.0)
    finished(tmp_path, "b c", 20, (1500, 1000), decode=3.0, compose=19.0)
    found = times.measured(tmp_path)
    assert (found.photos, found.megapixels) == (30, pytest.approx(10 * 6 + 20 * 1.5))
    assert (found.reading, found.others) == (9.0, 30.0)
    assert found.disk > 2000


def test_what_is_unfinished_or_none_of_ours_is_passed_over(tmp_path):
    assert times.measured(tmp_path) is None
    assert times.measured(tmp_path / "nowhere") is None
    (finished(tmp_path, "half", 10, (3000, 2000), 6, 9) / "times" / "deliver.tsv").unlink()
    (finished(tmp_path, "cut", 10, (3000, 2000), 6, 9) / "ingest.json").write_text("{")
    (finished(tmp_path, "odd", 10, (3000, 2000), 6, 9) / "times" / "deliver.tsv").write_text("x\ty\n1\t2\n")
    (tmp_path / "other" / "work").mkdir(parents=True)
    assert times.measured(tmp_path) is None
    (finished(tmp_path, "quick", 4, (300, 200), 1, 1) / "times" / "look.tsv").write_text(TSV.format("NA"))
    assert times.measured(tmp_path).photos == 4


def test_the_night_s_time_grows_with_photos_and_their_size_and_shrinks_with_cores():
    measured = storage.Measured(photos=10, megapixels=60, reading=6.0, others=10.0, disk=10_000_000)
    assert storage.night_seconds(100, 6, 1, measured) == pytest.approx(100 * (1.0 + 0.6) * storage.IDLE)
    assert storage.night_seconds(100, 24, 2, measured) == pytest.approx(100 * (1.0 + 2.4) / 2 * storage.IDLE)
    assert storage.night_megabytes(100, measured) == pytest.approx(100)


def test_the_estimate_gives_the_benchmark_back():
    assert storage.night_seconds(120, 6, 2) == pytest.approx(61, rel=0.01)


def test_cards_and_batteries():
    assert storage.shots_on(64, 30) == math.floor(62720 / 30)
    assert storage.raw_megabytes(24) == 30
    # 350 rated shots are 175 minutes, in the cold 122.5
    assert storage.batteries(122.5, 350) == pytest.approx(1)
