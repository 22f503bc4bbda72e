"""The even path that the camera should have run on."""

import numpy as np
from scipy.linalg import solveh_banded

ROUNDS = 6
# To what is further off than this many robust standard deviations the path is not drawn: it would jump.
FAR = 6.0
# Rounds in which it is drawn to what is beyond its limit, and how many times its usual say that may have in the end.
DRAWN, LOUDEST = 50, 1000.0


def smoothed(values, period, known=None, shown=None, limit=None):
    """What of a series changes more slowly than `period` frames.

    values: (n, d); known: bool (n,), which values count, or None for all; shown: bool (n,), which of them are frames,
    one after the other, or None for all; what lies between those is laid evenly between; limit: (n, d, d), how far off
    a value may be, off^T limit off <= 1, or None. Returns (n, d).
    Penalised least squares on the second difference (Whittaker 1923, "On a new method of graduation"), whose response
    1 / (1 + (w / w_c)^4) is one half at the period. A spline and not an L1-optimal path: that one is straight pieces
    with bends between, right for a hand-held film in which some jitter has to be traded for picture, but a walk on a
    tripod has no bends to keep, and a bend is seen. Outliers (a tripod put down beside the line) have less say, by
    Huber weights from three robust standard deviations on. What is further off than `limit` allows gets the more say,
    until the smoothest path within the limits is found (its Lagrange multipliers, by multiplicative updates).
    """
    values = np.asarray(values, float)
    count = len(values)
    known = np.ones(count, bool) if known is None else known
    if shown is not None and not shown.all():
        limit = None if limit is None else limit[shown]
        curve = smoothed(values[shown], period, known[shown], None, limit)
        return np.stack([np.interp(np.arange(count), np.flatnonzero(shown), line) for line in curve.T], 1)
    if count < 3 or known.sum() < 3:
        return np.repeat(values[known].mean(0, keepdims=True), count, 0)
    filled = np.where(known[:, None], values, 0)
    alike, weight = np.eye(values.shape[1]), known.astype(float)
    for _ in range(ROUNDS):
        curve = _stiff(filled, period, weight[:, None, None] * alike)
        off = np.linalg.norm(filled - curve, axis=1)
        sigma = np.median(off[known]) / 1.18 + 1e-12
        weight = known / np.maximum(1, off / (3 * sigma))
    if limit is None:
        return curve
    usual = np.einsum("kii->k", limit) / values.shape[1]
    most = np.where(known & (off < FAR * sigma) & (usual > 0), LOUDEST / np.maximum(usual, 1e-300), 0)
    louder = np.minimum(most, 0.3 / LOUDEST * most)
    for _ in range(DRAWN):
        curve = _stiff(filled, period, weight[:, None, None] * alike + louder[:, None, None] * limit)
        off = filled - curve
        louder = np.minimum(most, louder * np.einsum("ki,kij,kj->k", off, limit, off))
    return curve


def slope(values, at=None):
    """The change of a series (n,) from one place to the next: the median over pairs (Theil 1950, Sen 1968) a third of
    the list apart. at: (n,), the values' places, or None where there is one at each."""
    at = np.arange(len(values)) if at is None else at
    one, other = np.triu_indices(len(values), max(1, len(values) // 3))
    return float(np.median((values[other] - values[one]) / (at[other] - at[one])))


def _stiff(values, period, say):
    """The curve that lies as near to values (n, d) as their say (n, d, d) asks for, and bends as little as the period.

    The d numbers of one value lie side by side, so that all equations hang together over three values at most.
    """
    count, axes = values.shape
    band = np.zeros((2 * axes + 1, count, axes))
    for i, one in enumerate((1, -2, 1)):
        for j, other in enumerate((1, -2, 1)[: i + 1]):
            band[axes * (i - j), j : count - 2 + j] += (period / (2 * np.pi)) ** 4 * one * other
    for i in range(axes):
        for j in range(i + 1):
            band[i - j, :, j] += say[:, i, j]
    wanted = np.einsum("kij,kj->ki", say, values)
    return solveh_banded(band.reshape(len(band), -1), wanted.ravel(), lower=True).reshape(values.shape)
