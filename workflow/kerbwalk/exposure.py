"""What the camera's settings say of the exposure, in stops: the known steps."""

import numpy as np

# The numbers that cameras show in thirds of a stop, and in halves; they are rounded names of 2^(k/3) and 2^(k/2) s
# (30 is 32 s, 1/13 is 1/12.7 s), of f-numbers that are powers of 2^(1/6) and 2^(1/4), and of ISO speeds.
THIRD_APERTURES = (
    *(1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16),
    *(18, 20, 22, 25, 29, 32, 36, 40, 45, 51, 57, 64),
)  # from Av 0
LONG_TIMES = (30, 25, 20, 15, 13, 10, 8, 6, 5, 4, 3.2, 2.5, 2, 1.6, 1.3, 1, 0.8, 0.6, 0.5, 0.4, 0.3)
SHORT_TIMES = (
    *(4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000),
    *(1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000),
)
THIRD_TIMES = (*LONG_TIMES, *(1 / below for below in SHORT_TIMES))  # from Tv -5
THIRD_SPEEDS = (
    *(25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200),
    *(4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000, 25600, 32000, 40000, 51200, 64000, 80000, 102400),
)  # from Sv 3
SHORT_HALVES = (
    *(3, 4, 6, 8, 10, 15, 20, 30, 45, 60, 90, 125, 180, 250, 350, 500, 750, 1000, 1500, 2000, 3000),
    *(4000, 6000, 8000),
)
HALF_TIMES = (*(30, 20, 15, 10, 8, 6, 4, 3, 2, 1.5, 1, 0.7, 0.5), *(1 / below for below in SHORT_HALVES))  # from Tv -5
HALF_APERTURES = (1, 1.2, 1.4, 1.7, 2, 2.4, 2.8, 3.3, 4, 4.8, 5.6, 6.7, 8, 9.5, 11, 13, 16, 19, 22, 27, 32)  # from Av 0
# How closely a number has to be a name's to be taken for it, and the longest exposure that has a name.
NAMED = 0.006
LONGEST = 31.0


def known_stops(shutter, aperture, iso):
    """Exposure in stops from the camera's settings, up to a constant: log2(t S / N^2).

    The arithmetic of APEX, -Tv - Av + Sv (ISO 2720, CIPA DC-008 annex C; from memory). Arrays, NaN where unknown.
    """
    return np.log2(shutter * iso / np.square(aperture))


def true_shutter(seconds):
    """Exposure times as they are, from those that the camera names. seconds: (n,) of one shoot, NaN where unknown.

    A shoot whose times, as far as they have names at all (to 30 s), are all names in thirds of a stop, or all in
    halves, is read as the true steps that the names stand for; any other time in it tells that the camera writes
    times as they are. (Common practice of cameras, no source; the series as in ISO 516, from memory.)
    """
    seconds = np.array(seconds, float)
    named = ~(seconds > LONGEST)
    seconds[named] = _true(seconds[named], _series(THIRD_TIMES, 32.0, -1 / 3), _series(HALF_TIMES, 32.0, -1 / 2))
    return seconds


def true_aperture(number):
    """f-numbers as they are, from those that the lens names, as true_shutter. number: (n,)."""
    return _true(number, _series(THIRD_APERTURES, 1.0, 1 / 6), _series(HALF_APERTURES, 1.0, 1 / 4))


def true_iso(speed):
    """ISO speeds as they are, from their names, as true_shutter. speed: (n,)."""
    return _true(speed, _series(THIRD_SPEEDS, 25.0, 1 / 3))


def filter_stops(density):
    """Stops that a dark filter takes. density: optical density, -log10 of what it lets through (ISO 5 series)."""
    return -density * np.log2(10)


def known_steps(records, filters):
    """Exposure of every photo in stops, up to a constant.

    records: [{name, shutter, aperture, iso}], numbers or None; filters: {photo name: density of the dark filter on
    the lens from that photo on, 0 for none}. Returns (n,).
    """
    values = np.array([[r[key] or np.nan for key in ("shutter", "aperture", "iso")] for r in records], float)
    values = values.reshape(-1, 3)
    # A lens without contacts leaves no aperture; what all photos lack cannot have been changed by the camera.
    values[:, np.isnan(values).all(axis=0)] = 1.0
    shutter, aperture, iso = values.T
    stops = known_stops(true_shutter(shutter), true_aperture(aperture), true_iso(iso))
    told = np.flatnonzero(np.isfinite(stops))
    # A photo that does not tell is taken to be exposed as the last one that did.
    last = np.clip(np.searchsorted(told, np.arange(len(stops)), side="right") - 1, 0, None)
    stops = stops[told[last]] if len(told) else np.zeros(len(stops))
    density = 0.0
    for k, record in enumerate(records):
        density = filters.get(record["name"], density)
        stops[k] += filter_stops(density)
    return stops


def ramp(known):
    """The exposure's steps as one ramp through the middle of each, from the first exposure to the last.

    known: (n,) stops. Returns (n,).
    """
    changes = changes_of(known)
    if not len(changes):
        return np.array(known, float)
    where = np.concatenate([[0], changes - 0.5, [len(known) - 1]])
    middles = (known[changes - 1] + known[changes]) / 2
    value = np.concatenate([[known[0]], middles, [known[-1]]])
    return np.interp(np.arange(len(known)), where, value)


def changes_of(known):
    """The photos from which on the exposure is another. known: (n,) stops. Returns indices (m,)."""
    return np.flatnonzero(np.abs(np.diff(known)) > 0.01) + 1


def _series(names, first, step):
    """(names, true values) of a series that begins at `first` and goes on by `step` stops."""
    return np.array(names), first * 2.0 ** (step * np.arange(len(names)))


def _true(values, *series):
    """values (n,), NaN where unknown, or what they stand for if they are all names of one of the series."""
    values = np.array(values, float)
    told = ~np.isnan(values)
    for names, true in series:
        nearest = np.abs(np.log(values[told, None] / names)).argmin(axis=1)
        if (np.abs(values[told] / names[nearest] - 1) < NAMED).all():
            values[told] = true[nearest]
            break
    return values
