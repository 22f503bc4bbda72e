"""Sun, moon and the light they give through a walk.

Positions come from PyEphem (VSOP87 for the sun, a good theory for the moon; built in, no files and no network).
Heights are of the body's middle as seen from the place, without refraction; the moments follow the almanacs' usage:
sunset and sunrise at -50' (34' of refraction and the disc's half), twilights at -6, -12 and -18 degrees.
"""

import datetime
import math
from dataclasses import dataclass

import ephem

from kerbwalk.plan.answers import PlanError

# Degrees of the sun's height at which something ends in the evening and begins in the morning.
MOMENTS = (
    (-50 / 60, "sunset", "sunrise"),
    (-6.0, "civil dusk", "civil dawn"),
    (-12.0, "nautical dusk", "nautical dawn"),
    (-18.0, "astronomical dusk", "astronomical dawn"),
)
# log10 of lux on level ground under a clear sky, as a cubic in height / 90 degrees, from each height (degrees) up:
# Janiczek & DeYoung 1987, U.S. Naval Observatory Circular 171, as in the Explanatory Supplement to the Astronomical
# Almanac (Seidelmann 1992, illumination). The coefficients are from memory, and the same in several public programs.
SUNLIGHT = (
    (20.0, (3.74, 3.97, -4.07, 1.47)),
    (5.0, (3.05, 13.28, -45.98, 64.33)),
    (-0.8, (2.88, 22.26, -207.64, 1034.30)),
    (-5.0, (2.88, 21.81, -258.11, -858.36)),
    (-12.0, (2.70, 12.17, -431.69, -1899.83)),
    (-18.0, (13.84, 262.72, 1447.42, 2797.93)),
)
MOONLIGHT = (
    (20.0, (-1.95, 4.06, -4.24, 1.56)),
    (5.0, (-2.58, 12.58, -42.58, 59.06)),
    (-0.8, (-2.79, 24.27, -252.95, 1321.29)),
)
# Starlight and airglow: the moonless clear night (same sources).
NIGHT_SKY = 5e-4
SCAN = datetime.timedelta(minutes=4)


@dataclass(frozen=True)
class Place:
    """Degrees, north and east positive."""

    latitude: float
    longitude: float


@dataclass(frozen=True)
class Moon:
    """height: degrees; lit: part of the disc, 0..1; waxing: whether it grows; parallax: horizontal, degrees."""

    height: float
    lit: float
    waxing: bool
    phase_angle: float
    parallax: float


def sun_height(place, when):
    """Degrees. when: a datetime with a time zone."""
    return math.degrees(ephem.Sun(_observer(place, when)).alt)


def moon(place, when):
    """The Moon at a datetime with a time zone."""
    observer = _observer(place, when)
    body, sun = ephem.Moon(observer), ephem.Sun(observer)
    ahead = (ephem.Ecliptic(body).lon - ephem.Ecliptic(sun).lon) % (2 * math.pi)
    lit = body.phase / 100
    distance = ephem.Moon(observer.date).earth_distance * ephem.meters_per_au  # from the earth's middle
    return Moon(
        height=math.degrees(body.alt),
        lit=lit,
        waxing=ahead < math.pi,
        phase_angle=math.degrees(math.acos(max(-1.0, min(1.0, 2 * lit - 1)))),
        parallax=math.degrees(math.asin(ephem.earth_radius / distance)),
    )


def phase_name(body):
    """'new moon', 'waxing crescent', 'first quarter', ... (the quarters within 4 % of half)."""
    if body.lit < 0.02:
        return "new moon"
    if body.lit > 0.98:
        return "full moon"
    if abs(body.lit - 0.5) < 0.04:
        return "first quarter" if body.waxing else "last quarter"
    return f"{'waxing' if body.waxing else 'waning'} {'crescent' if body.lit < 0.5 else 'gibbous'}"


def _observer(place, when):
    observer = ephem.Observer()
    observer.lat, observer.lon = math.radians(place.latitude), math.radians(place.longitude)
    observer.pressure = 0  # no refraction
    observer.date = when.astimezone(datetime.UTC).replace(tzinfo=None)
    return observer


def moments(place, start, end):
    """[(datetime, name)] of sunset, dusks, dawns and sunrise between two datetimes, in order and in start's zone."""
    found = []
    for height, sinking, rising in MOMENTS:
        found += crossings(lambda when: sun_height(place, when), height, start, end, sinking, rising)
    return sorted(found)


def moon_moments(place, start, end):
    """[(datetime, 'moonrise' or 'moonset')]: its upper edge on the horizon, with 34' of refraction."""

    def edge(when):
        body = moon(place, when)
        # the moon's half disc is 0.2725 of its parallax (IAU value of k)
        return body.height + 34 / 60 + 0.2725 * body.parallax

    return sorted(crossings(edge, 0.0, start, end, "moonset", "moonrise"))


def crossings(height_at, level, start, end, sinking, rising):
    """[(datetime, name)] where a height passes a level, to the second, by scanning and bisection."""
    found, zone = [], start.tzinfo
    before, end = start.astimezone(datetime.UTC), end.astimezone(datetime.UTC)
    above = height_at(before) > level
    while before < end:
        after = min(before + SCAN, end)
        if (height_at(after) > level) != above:
            low, high = before, after
            while high - low > datetime.timedelta(seconds=1):
                middle = low + (high - low) / 2
                low, high = (middle, high) if (height_at(middle) > level) == above else (low, middle)
            found.append((high.astimezone(zone), sinking if above else rising))
            above = not above
        before = after
    return found


def lux(place, when):
    """Light on level ground under a clear sky from sun, moon and night sky, lux (sources at the tables)."""
    return sunlight(sun_height(place, when)) + moonlight(moon(place, when)) + NIGHT_SKY


def sunlight(height):
    """lux of the sun, or its twilight, at a height in degrees; nothing below -18."""
    return 10 ** _cubic(SUNLIGHT, height) if height >= SUNLIGHT[-1][0] else 0.0


def moonlight(body):
    """lux of a Moon: the full one's by height, less for phase (both of Circular 171, see MOONLIGHT) and distance."""
    if body.height < MOONLIGHT[-1][0]:
        return 0.0
    phase = -8.68e-3 * body.phase_angle - 2.2e-9 * body.phase_angle**4
    return 10 ** (_cubic(MOONLIGHT, body.height) + phase + 2 * math.log10(body.parallax / 0.951))


def _cubic(table, height):
    coefficients = next(row for lowest, row in table if height >= lowest)
    return sum(factor * (height / 90) ** power for power, factor in enumerate(coefficients))


def later(start, seconds):
    """The datetime so many seconds after one, in its zone, also where clocks change in between."""
    return (start.astimezone(datetime.UTC) + datetime.timedelta(seconds=seconds)).astimezone(start.tzinfo)


def fall(place, start, seconds, lamps):
    """Stops by which the light has fallen (negative: risen) `seconds` after a datetime.

    lamps: lux that do not change with the sky. Returns (of the sky alone, with the lamps).
    """
    first, then = lux(place, start), lux(place, later(start, seconds))
    return math.log2(first / then), math.log2((first + lamps) / (then + lamps))


def changes(place, start, photos, interval, lamps, step=1.0):
    """When to change the exposure, so that light that falls or rises is never more than `step` stops off.

    photos: how many; interval: s. Returns [(photo's number, 1 the first; datetime; stops to give more, all in all)].
    """
    given, found, first = 0.0, [], lux(place, start) + lamps
    for number in range(photos):
        fallen = math.log2(first / (lux(place, later(start, number * interval)) + lamps))
        if abs(fallen - given) >= step - 1e-9:
            given += step * math.trunc((fallen - given) / step)
            found.append((number + 1, later(start, number * interval), given))
    return found


def local_start(date, clock, zone):
    """The datetime of a clock time ('21:30', a datetime.time) on a date in a zone (zoneinfo).

    A time that comes twice, when clocks go back, is the first. Raises PlanError for one that is skipped.
    """
    start = datetime.datetime.combine(date, clock, zone)
    there = start.astimezone(datetime.UTC).astimezone(zone)
    if there.replace(tzinfo=None) != start.replace(tzinfo=None):
        raise PlanError(f"{clock:%H:%M} on {date} does not exist there, as clocks go forward then: choose another time")
    return start


def night_around(start):
    """(noon before, noon after) a datetime, by its zone's clock."""
    noon = datetime.datetime.combine(start.date(), datetime.time(12), start.tzinfo)
    if start < noon:
        return noon - datetime.timedelta(days=1), noon
    return noon, noon + datetime.timedelta(days=1)
