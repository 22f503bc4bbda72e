"""The even path that the camera should have run on."""

import numpy as np

ROUNDS = 6


def smoothed(values, period, known=None, shown=None):
    """What of a series changes more slowly than `period` frames.

    values: (n, d); known: bool (n,), which values count, or None for all; shown: bool (n,), which of them are frames,
    one after the other, or None for all; what lies between those is laid evenly between. Returns (n, d).
    Penalised least squares on the second difference (Whittaker 1923, "On a new method of graduation"), whose response
    1 / (1 + (w / w_c)^4) is one half at the period. A spline and not an L1-optimal path: that one is straight pieces
    with bends between, right for a hand-held film in which some jitter has to be traded for picture, but a walk on a
    tripod has no bends to keep, and a bend is seen. Outliers (a tripod put down beside the line) have less say, by
    Huber weights from three robust standard deviations on.
    """
    values = np.asarray(values, float)
    count = len(values)
    known = np.ones(count, bool) if known is None else known
    if shown is not None and not shown.all():
        curve = smoothed(values[shown], period, known[shown])
        return np.stack([np.interp(np.arange(count), np.flatnonzero(shown), line) for line in curve.T], 1)
    if count < 3 or known.sum() < 3:
        return np.repeat(values[known].mean(0, keepdims=True), count, 0)
    bend = np.diff(np.eye(count), 2, axis=0)
    penalty = (period / (2 * np.pi)) ** 4 * bend.T @ bend
    weight = known.astype(float)
    filled = np.where(known[:, None], values, 0)
    for _ in range(ROUNDS):
        curve = np.linalg.solve(np.diag(weight) + penalty, weight[:, None] * filled)
        off = np.linalg.norm(filled - curve, axis=1)
        sigma = np.median(off[known]) / 1.18 + 1e-12
        weight = known / np.maximum(1, off / (3 * sigma))
    return curve
