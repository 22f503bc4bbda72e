"""From what was metered to a shutter of a second or more: which filter, or which shutter with a filter.

Exposure is counted in stops by APEX (EXIF, CIPA DC-008, annex on APEX units): Av = 2 log2 N, Tv = -log2 t,
Sv = log2(ISO / 3.125), and a picture stays as bright while Av + Tv - Sv plus the filter's stops do. The numbers on a
camera's dials are rounded (f/5.6 is f/5.657, 1/60 s is 1/64 s, 30 s is 32 s): those of the usual third-stop and
half-stop series are taken for what they stand for. Filters are marked by density (ISO 5-2: D = -log10 of the
transmittance), by factor or by stops: stops = D / log10 2, factor = 10^D.

Sensors, unlike film, have no reciprocity failure: twice the time is one stop at any length.
"""

import itertools
import math
import re
from dataclasses import dataclass

from kerbwalk.exposure import THIRD_APERTURES, THIRD_SPEEDS, THIRD_TIMES, filter_stops
from kerbwalk.plan.answers import PlanError
from kerbwalk.plan.quantities import read, show

HALF_APERTURES = {1.7: 1.5, 2.4: 2.5, 3.3: 3.5, 4.8: 4.5, 6.7: 5.5, 9.5: 6.5, 19: 8.5, 27: 9.5, 38: 10.5}  # to Av
HALF_TIMES = {0.7: 0.5, 1 / 3: 1.5, 1 / 11: 3.5, 1 / 45: 5.5, 1 / 90: 6.5, 1 / 180: 7.5, 1 / 350: 8.5, 1 / 750: 9.5}
# Filters stacked deeper than this darken the corners and mirror lamps (common practice, no source).
MOST_STACKED = 3


@dataclass(frozen=True)
class Setting:
    """As on the dials: f-number, seconds, ISO."""

    aperture: float
    shutter: float
    iso: float


@dataclass(frozen=True)
class Filter:
    """A neutral filter. mark: as it was named; density: -log10 of its transmittance (ISO 5-2)."""

    mark: str
    density: float

    @property
    def stops(self):
        return float(-filter_stops(self.density))


def av(aperture):
    """APEX aperture value of a dial's f-number: 5.6 -> 5."""
    return _on_series(aperture, THIRD_APERTURES, 0, HALF_APERTURES, lambda number: 2 * math.log2(number))


def tv(shutter):
    """APEX time value of a dial's exposure time in s: 1/60 -> 6, 30 -> -5; a time on no dial (3 s) counts as it is."""
    return _on_series(shutter, THIRD_TIMES, -5, HALF_TIMES, lambda seconds: -math.log2(seconds))


def sv(iso):
    """APEX speed value of an ISO number: 100 -> 5, 125 -> 5 1/3."""
    return _on_series(iso, THIRD_SPEEDS, 3, {}, lambda number: math.log2(number / 3.125))


def _on_series(number, thirds, first, halves, formula):
    for place, nominal in enumerate(thirds):
        if math.isclose(number, nominal, rel_tol=5e-3):
            return first + place / 3
    for nominal, value in halves.items():
        if math.isclose(number, nominal, rel_tol=5e-3):
            return value
    return formula(number)


def true_shutter(shutter):
    """How long a dial's time really lasts, s: 30 -> 32, 15 -> 16."""
    return 2.0 ** -tv(shutter)


def on_dial(seconds):
    """The dial's time that is nearest, in stops, to a time in s; beyond 30 s the whole second (a timer's)."""
    if seconds > 2**5.17:
        return float(round(seconds))
    nearest = min(range(len(THIRD_TIMES)), key=lambda place: abs(place / 3 - 5 + math.log2(seconds)))
    return float(THIRD_TIMES[nearest])


def read_setting(text):
    """A Setting from text such as 'f/8 1/4 ISO 100' or '8, 0.25, 100': aperture, time, ISO, in this order.

    Raises PlanError.
    """
    match = re.fullmatch(r"\s*(?:f\s*/?\s*)?([\d.]+)[\s,;]+([\d./]+)\s*s?[\s,;]+(?:iso\s*)?(\d+)\s*", text.lower())
    if not match:
        raise PlanError(f"expected aperture, time and ISO such as 'f/8 1/4 ISO 100', got '{text}'")
    return Setting(read(match[1], "", 0.5, 128), read(match[2], "seconds", 0, 36000), read(match[3], "", 1, 1e7))


def read_filter(text):
    """A Filter from its mark: a density ('1.8', 'ND 0.9'), a factor ('ND8', '64x') or stops ('6 stops').

    Raises PlanError for what could be read in two ways.
    """
    mark = text.strip()
    short = re.sub(r"\s+", "", mark.lower())
    number = r"(\d+(?:\.\d+)?)"
    if match := re.fullmatch(number + r"(?:stops?|ev)", short):
        density = float(match[1]) * math.log10(2)
    elif match := re.fullmatch(r"(?:nd|d)?(\d\.\d+)", short):
        density = float(match[1])
    elif match := re.fullmatch(rf"(?:ndx?|x){number}|{number}x", short):
        density = math.log10(max(1.0, float(match[1] or match[2])))
    else:
        raise PlanError(f"'{mark}' names no filter: write a density (1.8), a factor (ND64, 64x) or stops (6 stops)")
    if not 0 < density <= 10:
        raise PlanError(f"'{mark}' is no filter that passes light: expected a density above 0 and up to 10")
    return Filter(mark, density)


def stops_to_take(metered, wanted):
    """How many stops of light a filter must take, so that `wanted` gives the picture that `metered` would.

    Both Settings; negative where light is missing.
    """
    return (
        -tv(wanted.shutter)
        - av(wanted.aperture)
        + sv(wanted.iso)
        - (-tv(metered.shutter) - av(metered.aperture) + sv(metered.iso))
    )


def shutter_through(metered, aperture, iso, stops):
    """The time in s that a picture like `metered` takes at another aperture and ISO through a filter of `stops`."""
    return 2.0 ** -(stops_to_take(metered, Setting(aperture, 1.0, iso)) - stops)


def combinations(owned, stops):
    """Stacks of the filters owned (each once, at most MOST_STACKED; none at all too), nearest to `stops` first.

    Of stacks equally near, to a twentieth of a stop, the one of fewer filters. Returns lists of Filters.
    """
    stacks = [
        list(stack)
        for count in range(min(MOST_STACKED, len(owned)) + 1)
        for stack in itertools.combinations(owned, count)
    ]
    return sorted(stacks, key=lambda stack: (round(abs(total(stack) - stops) * 20), len(stack)))


def total(filters):
    """Stops of light that filters behind each other take: densities add up (ISO 5-2)."""
    return sum(one.stops for one in filters)


def named(filters):
    """'0.9 + ND64 (9 stops)', or 'no filter'."""
    if not filters:
        return "no filter"
    return f"{' + '.join(one.mark for one in filters)} ({show(total(filters), 2)} stops)"
