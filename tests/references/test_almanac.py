"""Sun and moon, against worked examples of Meeus, figures of the U.S. Naval Observatory, and Skyfield.

Meeus, Astronomical Algorithms (2nd ed. 1998): examples 25.b (sun), 47.a (moon), 48.a (lit part), 49.a (new moon), as
printed, from memory; PyMeeus (a package that follows the book) gives the same to the digits used here. The
Observatory's times are those that Skyfield's own tests compare with. Skyfield works from the ephemeris DE421 of the Jet
Propulsion Laboratory, and shares nothing with the library that the plan uses.
"""

import datetime
import math
import random
from pathlib import Path

import pytest
import skyfield_data
from skyfield import almanac
from skyfield.api import Loader, wgs84

from kerbwalk.plan import sky

UTC = datetime.UTC
# 1992: dynamical time is ahead of universal time by 59 s
DELTA_T = datetime.timedelta(seconds=59)


def height(right_ascension, declination, place, when):
    """Degrees, by Meeus' 12.4 (mean sidereal time at Greenwich) and 13.6; all angles in degrees."""
    days = (when - datetime.datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / 86400
    sidereal = 280.46061837 + 360.98564736629 * days
    hour_angle = math.radians(sidereal + place.longitude - right_ascension)
    latitude, declination = math.radians(place.latitude), math.radians(declination)
    sine = math.sin(latitude) * math.sin(declination)
    sine += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    return math.degrees(math.asin(sine))


PLACES = [sky.Place(*where) for where in ((0, 0), (52, 10), (-34, 151), (65, -150), (-10, -70), (89, 20))]


@pytest.mark.parametrize("place", PLACES)
def test_the_sun_of_meeus_example_25b(place):
    """1992 October 13, 0h dynamical time: right ascension 13h 13m 30.749s, declination -7 47' 01.74"."""
    when = datetime.datetime(1992, 10, 13, tzinfo=UTC) - DELTA_T
    expected = height(15 * (13 + 13 / 60 + 30.749 / 3600), -(7 + 47 / 60 + 1.74 / 3600), place, when)
    assert sky.sun_height(place, when) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("place", PLACES)
def test_the_moon_of_meeus_examples_47a_and_48a(place):
    """1992 April 12, 0h dynamical time: 134.688470, 13.768368, parallax 0.991990 degrees; 0.6786 of the disc lit."""
    when = datetime.datetime(1992, 4, 12, tzinfo=UTC) - DELTA_T
    centre = height(134.688470, 13.768368, place, when)
    parallax = math.degrees(math.asin(math.sin(math.radians(0.991990)) * math.cos(math.radians(centre))))
    moon = sky.moon(place, when)
    # the parallax in height grows by its own second order, up to 0.02 degrees
    assert moon.height == pytest.approx(centre - parallax, abs=0.03)
    assert moon.lit == pytest.approx(0.6786, abs=0.006)  # from the place, not from the earth's middle
    assert moon.parallax == pytest.approx(0.991990, abs=1e-4)
    assert moon.waxing


def test_the_new_moon_of_meeus_example_49a():
    """1977 February 18, 3h 37m 42s dynamical time; universal time is 48 s behind."""
    when = datetime.datetime(1977, 2, 18, 3, 36, 54, tzinfo=UTC)
    place, minutes = sky.Place(0, 0), datetime.timedelta(minutes=3)
    assert not sky.moon(place, when - minutes).waxing
    assert sky.moon(place, when + minutes).waxing


def minutes_off(found, expected):
    """Found datetimes and 'HH:MM' texts of the same UTC day or the next."""
    clock = [when.hour * 60 + when.minute + when.second / 60 for when in found]
    printed = [int(text[:2]) * 60 + int(text[3:]) for text in expected]
    return max(abs(one - other) for one, other in zip(clock, printed, strict=True))


def test_naval_observatory_sunrise_and_sunset():
    """Bluffton, Ohio, 12 September 2018."""
    start = datetime.datetime(2018, 9, 12, 4, tzinfo=UTC)
    found = sky.moments(sky.Place(40.8939, -83.8917), start, start + datetime.timedelta(days=1))
    sun = [when for when, name in found if name.startswith("sun")]
    assert minutes_off(sun, ["11:13", "23:50"]) < 1


def test_naval_observatory_twilights():
    """Defiance, Ohio, 8 November 2019: astronomical, nautical and civil dawn, sunrise, and the reverse."""
    start = datetime.datetime(2019, 11, 8, 4, tzinfo=UTC)
    found = sky.moments(sky.Place(41.281944, -84.362778), start, start + datetime.timedelta(days=1))
    expected = ["10:42", "11:15", "11:48", "12:17", "22:25", "22:54", "23:27", "23:59"]
    assert minutes_off([when for when, _ in found], expected) < 1


def test_naval_observatory_moon():
    """The lit part on days of September 2018, two digits; and a moon that stays up for 37 minutes at 70 N."""
    lit = [sky.moon(sky.Place(0, 0), datetime.datetime(2018, 9, day, 5, tzinfo=UTC)).lit for day in range(9, 19)]
    assert lit == pytest.approx([0, 0, 0.03, 0.08, 0.15, 0.24, 0.33, 0.43, 0.52, 0.62], abs=0.0101)
    start = datetime.datetime(2023, 2, 19, tzinfo=UTC)
    found = sky.moon_moments(sky.Place(70, 0), start, start + datetime.timedelta(days=1))
    assert [name for _, name in found] == ["moonrise", "moonset"]
    assert minutes_off([when for when, _ in found], ["11:28", "12:05"]) < 1


@pytest.fixture(scope="module")
def planets():
    load = Loader(Path(skyfield_data.__file__).parent / "data", verbose=False)
    return load("de421.bsp"), load.timescale(builtin=True)


def test_heights_against_skyfield(planets):
    """300 places and times from 1990 to 2045: within a hundredth of a degree (the bar is a tenth)."""
    bodies, scale = planets
    chance = random.Random(7)
    for _ in range(300):
        place = sky.Place(chance.uniform(-85, 85), chance.uniform(-180, 180))
        when = datetime.datetime(1990, 1, 1, tzinfo=UTC) + datetime.timedelta(days=chance.uniform(0, 55 * 365))
        there = (bodies["earth"] + wgs84.latlon(place.latitude, place.longitude)).at(scale.from_datetime(when))
        sun, moon = (there.observe(bodies[name]).apparent().altaz()[0].degrees for name in ("sun", "moon"))
        assert sky.sun_height(place, when) == pytest.approx(sun, abs=0.01)
        assert sky.moon(place, when).height == pytest.approx(moon, abs=0.02)


@pytest.mark.parametrize("where", [(53.5, 10.0), (-33.9, 18.4), (1.3, 103.8), (60.2, 24.9), (64.1, -21.9)])
def test_twilights_against_skyfield(planets, where):
    """Every moment of two nights, within a minute (the bar is two)."""
    bodies, scale = planets
    changed = almanac.dark_twilight_day(bodies, wgs84.latlon(*where))
    for month in (3, 11):
        start = datetime.datetime(2026, month, 7, 12, tzinfo=UTC)
        end = start + datetime.timedelta(days=1)
        times, _ = almanac.find_discrete(scale.from_datetime(start), scale.from_datetime(end), changed)
        found = [when for when, _ in sky.moments(sky.Place(*where), start, end)]
        assert len(found) == len(times) == 8
        for ours, theirs in zip(found, times.utc_datetime(), strict=True):
            assert abs(ours - theirs) < datetime.timedelta(minutes=1)
