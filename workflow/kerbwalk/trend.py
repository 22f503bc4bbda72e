"""Separate flicker from exposure steps and from the light that really changed, and say what the clip shows of it."""

import functools
from dataclasses import dataclass

import numpy as np

from kerbwalk.exposure import changes_of, ramp

# A camera's real step is taken for another than its settings say from this many standard deviations and stops on.
SURE, APART = 3.0, 0.04
# From so many photos on a trend may be smooth by its third and fourth differences.
FEW = {1: 5, 2: 5, 3: 8, 4: 24}
# The orders of differences that are kept small, and whether the ends are level. The first two are as stiff as can be,
# steady light and a line: what first or second differences bend to has kinks.
KINDS = ((1, False), (2, False), (3, False), (4, False), (3, True))
STRAIGHT = 2
# By how much Schwarz's criterion has to speak for anything that bends: strong evidence (Kass & Raftery 1995).
STRONG = 6.0


@dataclass
class Step:
    """A change of exposure: the photo it begins with, stops by the settings, by the light, and the latter's sigma."""

    photo: int
    known: float
    measured: float
    sigma: float
    differs: bool


@dataclass
class Settled:
    """What becomes of each photo, (n,) stops: see gains.csv; and the exposure's steps."""

    estimated: np.ndarray
    kept: np.ndarray
    applied: np.ndarray
    steps: list


def settle(levels_log, known, show, period, reference):
    """What each photo's exposure has to be changed by.

    levels_log: (n,) log e brightness as measured, NaN where it could not be; known: (n,) exposure in stops by the
    settings; show: what of the slow change shows, "fell" (the light: a smooth curve through the photos' levels, all
    changes of exposure taken out), "photographed" (the same curve with those as one smooth ramp) or "level" (nothing);
    period: see trend; reference: the photo that keeps its own brightness where nothing is shown.
    Returns Settled: applied = kept - known - estimated.
    """
    estimated = levels_log / np.log(2) - known
    if np.isnan(estimated).all():
        light, steps = np.zeros(len(known)), []
    else:
        light, steps = _light_and_steps(estimated, known, period)
    errors = np.zeros(len(known))
    for step in steps:
        errors[step.photo :] += (step.measured - step.known) * step.differs
    errors -= errors[reference]
    exposure = known + errors
    if show == "fell":
        kept = light
    elif show == "photographed":
        kept = light + stiffest(ramp(exposure), 2 * period)
    elif show == "level":
        kept = np.full(len(known), light[reference] + exposure[reference])
    else:
        raise ValueError(f"show: expected fell, photographed or level, got {show!r}")
    flicker = np.nan_to_num(estimated - light - errors)
    return Settled(estimated, kept, kept - exposure - light - flicker, steps)


def trend(values, period):
    """The smooth part of a series, and nothing of its flicker.

    values: (n,) with NaN where unknown; period: changes quicker than this many photos are never taken for trend.
    Returns (n,). A smoothing spline of evenly spaced values (Whittaker 1923), as stiff as the values themselves say:
    the penalty is chosen by restricted maximum likelihood (Wahba 1985; Reiss & Ogden 2009); or as stiff as can be: a
    constant, a line, a parabola, a cubic; or one that is level at both ends (the smoother by the discrete cosine
    transform, Garcia 2010), as the light is before dusk and by street lamps. Of these a mean is taken (Bayesian model
    averaging, Hoeting et al. 1999) in which each counts by how much it says with how few degrees of freedom (Schwarz
    1978), what does not bend a little more. So in steady light no flicker is left as a slow wobble, and dusk, ever
    quicker and ever slower, is followed with few bends.
    """
    return _smoother(values, period)(_filled(values))


def stiffest(values, period):
    """A smooth series made smoother: of what comes back within `period` photos half is left. values: (n,)."""
    return _spline(len(values), 3, False)(values, _penalty(period, 3)) if len(values) > 3 else values


def _light_and_steps(estimated, known, period):
    """The trend of the light and the Steps, in turns: a step that differs would bend the trend."""
    changes, measured = changes_of(known), np.isfinite(estimated)
    # Too few photos beside a step say nothing about it.
    told = np.array([c for c in changes if min(measured[:c].sum(), measured[c:].sum()) > 2], int)
    if not len(told):
        return trend(estimated, period), []
    beyond = (np.arange(len(known))[:, None] >= told).astype(float)
    errors = np.zeros(len(told))
    for _ in range(3):
        smooth = _smoother(estimated - beyond @ errors, period)
        rest = np.where(measured, _filled(estimated) - smooth(_filled(estimated)), 0)
        design = beyond - np.column_stack([smooth(column) for column in beyond.T])
        found, *_ = np.linalg.lstsq(design, rest, rcond=1e-6)
        noise = np.sqrt(np.square(rest - design @ found).sum() / max(measured.sum() - len(told) - 3, 1))
        sigma = noise * np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
        differs = (np.abs(found) > SURE * sigma) & (np.abs(found) > APART)
        if np.array_equal(errors, found * differs):
            break
        errors = found * differs
    nominal = known[told] - known[told - 1]
    rows = zip(*(column.tolist() for column in (told, nominal, nominal + found, sigma, differs)), strict=True)
    return trend(estimated - beyond @ errors, period), [Step(*row) for row in rows]


def _smoother(values, period):
    """The linear smoother, (n,) to (n,), that a series with NaN where unknown asks for."""
    count, filled = len(values), _filled(values)
    kinds = [(order, level) for order, level in KINDS if count >= FEW[order]]
    if not kinds:
        return lambda series: np.full(count, series.mean())
    choices = [choice for kind in kinds for choice in _choices(_spline(count, *kind), filled, period)]
    criteria, splines, penalties = zip(*choices, strict=True)
    share = np.exp((min(criteria) - np.array(criteria)) / 2)
    share /= share.sum()
    return lambda series: sum(w * one(series, p) for w, one, p in zip(share, splines, penalties, strict=True))


def _filled(values):
    known = np.flatnonzero(~np.isnan(values))
    return np.interp(np.arange(len(values)), known, values[known])


@functools.cache
def _spline(count, order, level):
    return _Spline(count, order, level)


class _Spline:
    """The Whittaker smoother of a length and an order of differences, in the basis in which it is diagonal; or the one
    of a series that goes on mirrored at its ends, which makes these level. free: dimensions without a penalty."""

    def __init__(self, count, order, level):
        self.order, self.level, self.free = order, level, 1 if level else order
        if level:
            waves = np.pi * np.arange(count) / count
            self.vectors = np.cos(waves * (np.arange(count)[:, None] + 0.5)) * np.sqrt(2 / count)
            self.vectors[:, 0] = np.sqrt(1 / count)
            self.eigen = (2 - 2 * np.cos(waves)) ** order
        else:
            differences = np.diff(np.eye(count), order, axis=0)
            self.eigen, self.vectors = np.linalg.eigh(differences.T @ differences)
            self.eigen[:order] = 0

    def __call__(self, values, penalty):
        return self.vectors @ ((self.vectors.T @ values) / (1 + penalty * self.eigen))


def _penalty(period, order):
    """The filter 1 / (1 + p (2 - 2 cos w)^order) has half its gain at the period where the second term is 1."""
    return (2 - 2 * np.cos(2 * np.pi / period)) ** -float(order)


def _choices(spline, values, period):
    """[(criterion, spline, penalty)] for the stiffest, and for the penalty of the greatest restricted likelihood."""
    penalties = _penalty(period, spline.order) * np.exp(np.arange(0, 12.5 * spline.order, 0.1))
    eigen, parts = spline.eigen[spline.free :], (spline.vectors.T @ values)[spline.free :]
    shrink = penalties[:, None] * eigen / (1 + penalties[:, None] * eigen)
    left = np.square(shrink * parts)
    likelihood = np.log(shrink).sum(1) / 2 - len(parts) / 2 * np.log((shrink * parts**2).sum(1) + 1e-30)
    freedom = spline.free + (1 - shrink).sum(1)
    criterion = len(values) * np.log(left.mean(1) + 1e-30) + np.log(len(values)) * freedom
    bends = spline.order > STRAIGHT
    chosen = ([] if spline.level else [-1]) + ([int(np.argmax(likelihood))] if bends else [])
    return [(criterion[k] + STRONG * bends, spline, penalties[k]) for k in chosen]
