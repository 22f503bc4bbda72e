"""Moments, light and changes of exposure: their logic; the figures are in tests/references/test_almanac.py."""

import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from kerbwalk.plan import sky
from kerbwalk.plan.answers import PlanError

ZONE = ZoneInfo("Europe/Berlin")
PLACE = sky.Place(53.5, 10.0)


def at(text, zone=ZONE):
    return datetime.datetime.fromisoformat(text).replace(tzinfo=zone)


def test_an_evening_and_morning_in_order():
    found = sky.moments(PLACE, *sky.night_around(at("2026-12-05 21:00")))
    evening = ["sunset", "civil dusk", "nautical dusk", "astronomical dusk"]
    morning = ["astronomical dawn", "nautical dawn", "civil dawn", "sunrise"]
    assert [name for _, name in found] == evening + morning
    assert [when for when, _ in found] == sorted(when for when, _ in found)


def test_a_walk_before_noon_belongs_to_the_night_before():
    start, end = sky.night_around(at("2026-12-05 05:00"))
    assert (start, end) == (at("2026-12-04 12:00"), at("2026-12-05 12:00"))


def test_polar_day_and_night_have_no_sunset():
    north = sky.Place(75.0, 20.0)
    assert sky.moments(north, *sky.night_around(at("2026-06-21 21:00"))) == []
    names = [name for _, name in sky.moments(north, *sky.night_around(at("2026-12-21 21:00")))]
    assert "sunset" not in names and "nautical dusk" in names


def test_heights_at_the_moments():
    for when, name in sky.moments(PLACE, *sky.night_around(at("2026-09-05 21:00"))):
        expected = {-50 / 60, -6.0, -12.0, -18.0}
        assert min(abs(sky.sun_height(PLACE, when) - height) for height in expected) < 0.01, name


def test_light_is_continuous_and_falls_with_the_sun():
    heights = np.arange(-17.99, 89, 0.01)
    light = np.log2([sky.sunlight(height) for height in heights])
    assert np.diff(light).max() < 0.03 and np.diff(light).min() > -0.02
    assert sky.sunlight(-18.5) == 0


def test_changes_keep_the_light_within_a_stop():
    start, photos, interval, lamps = at("2026-12-05 16:10"), 150, 13.0, 5.0
    changes = sky.changes(PLACE, start, photos, interval, lamps)
    assert len(changes) >= 3
    given = 0.0
    for number in range(photos):
        given = {count: stops for count, _, stops in changes}.get(number + 1, given)
        assert abs(sky.fall(PLACE, start, number * interval, lamps)[1] - given) < 1
    assert [stops for *_, stops in changes] == [float(k + 1) for k in range(len(changes))]


def test_in_the_morning_the_light_rises():
    changes = sky.changes(PLACE, at("2026-12-05 07:10"), 150, 13.0, 5.0)
    assert changes and all(stops < 0 for *_, stops in changes)


def test_lamps_hold_the_light():
    start = at("2026-12-05 16:44")
    alone, lit = sky.fall(PLACE, start, 1560, 1000.0)
    assert alone > 3 and 0 < lit < 0.05


def test_a_time_that_clocks_skip_is_refused_and_one_that_comes_twice_is_the_first():
    with pytest.raises(PlanError, match="clocks go forward"):
        sky.local_start(datetime.date(2026, 3, 29), datetime.time(2, 30), ZONE)
    first = sky.local_start(datetime.date(2026, 10, 25), datetime.time(2, 30), ZONE)
    assert first.utcoffset() == datetime.timedelta(hours=2)


def test_seconds_later_are_true_seconds_when_clocks_change():
    later = sky.later(at("2026-03-29 01:59"), 120)
    assert (later.hour, later.minute) == (3, 1)
