"""Find each photo's flicker from areas that correspond, and keep the light that really changed."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, sparse
from scipy.sparse import linalg

WHITE = 65535
# Below this level (of 65535) noise and black level decide, and a ratio means nothing.
DARK = 130
# Links from each photo to those this many steps on.
STEPS = (1, 2, 3, 5, 8)
# Sums are compared over blocks of this many proxy pixels a side.
BLOCK = 6
MIN_BLOCKS = 40


@dataclass
class Ratio:
    """log of how much brighter the second of two photos is, its standard deviation, and the pixels behind it."""

    log: float
    sigma: float
    pixels: int


def ratio(first, first_ok, second, second_ok, hold, steps):
    """How much brighter one picture is than another, from the places where both show the same thing.

    first, second: float32 (h, w), scene-linear, laid on each other about the hold point, (2,) pixels; *_ok: bool
    (h, w), where they are defined and not clipped; steps: how many steps of the walk lie between them. Returns a Ratio,
    or None where too little corresponds.
    Sums over small blocks are compared, since texture that is a fraction of a pixel off cancels in them. What is sought
    is the mode of their log ratios, not the mean: whoever walks through, a lamp that goes on, or a bus that lights much
    of the picture adds values far and wide, while all that has not changed agrees on one. From the mode on, Tukey's
    biweight (Beaton & Tukey 1974) refines a linear model: the ratio, and a small common shift (moved and scaled
    about the hold point) of what has no texture to show where it lies, such as the sky, which the walk moves against
    the houses and whose own gradient would then be taken for flicker.
    """
    ok = first_ok & second_ok & (first > DARK) & (second > DARK)
    filled = _blocks(ok)
    whole = filled >= BLOCK**2 / 2
    if whole.sum() < MIN_BLOCKS:
        return None
    a, b = _blocks(first * ok)[whole], _blocks(second * ok)[whole]
    values = np.log(b / a)
    gradient = [_blocks(slope * ok)[whole] / (a + b) for slope in np.gradient(first + second)]
    doubt, mismatch = (part[whole] for part in _doubt(first, second, ok))
    middles = np.indices(filled.shape)[:, whole] * BLOCK + (BLOCK - 1) / 2
    radial = gradient[0] * (middles[0] - hold[1]) + gradient[1] * (middles[1] - hold[0])
    design = np.column_stack([np.ones_like(values), doubt * gradient[0], doubt * gradient[1], doubt * radial])
    walk = steps * np.array([2.0, 2.0, 0.01])
    steep = np.square(gradient[0]) + np.square(gradient[1])
    sure = 6.0 / (a + b) + steep * np.square(0.25 + 0.05 * doubt * steps) + mismatch / 4 + 4e-6
    wide = np.sqrt(sure + np.square(design[:, 1:] * walk).sum(1))
    start = np.array([_mode(values, 1 / wide), 0, 0, 0])
    model, sigma, agree = _biweight(values, design, start, np.sqrt(sure), wide, np.concatenate([[np.inf], walk]))
    return Ratio(float(model[0]), sigma + 3e-4, int(filled[whole][agree].sum()))


def levels(count, ratios):
    """log brightness of every photo from all the links, their mean zero, with standard deviations.

    ratios: {(i, j): Ratio}. Least squares on the graph with Huber weights, so that no error is handed on from
    photo to photo. Photos without links are NaN. Returns (levels (count,), sigmas (count,)).
    """
    result, sigmas = np.full(count, np.nan), np.full(count, np.nan)
    if not ratios:
        return result, sigmas
    linked = sorted({k for pair in ratios for k in pair})
    place = {k: c for c, k in enumerate(linked)}
    pairs = list(ratios)
    lines = np.repeat(np.arange(len(pairs)), 2)
    columns = [place[k] for pair in pairs for k in pair]
    rows = sparse.csr_array((np.tile([-1.0, 1.0], len(pairs)), (lines, columns)), shape=(len(pairs), len(linked)))
    logs = np.array([ratios[p].log for p in pairs])
    weights = np.array([1 / max(ratios[p].sigma, 1e-5) for p in pairs])
    trust = np.ones(len(pairs))
    tie = sparse.eye_array(len(linked)) * 1e-3
    for _ in range(20):
        scaled = sparse.diags_array(trust * weights**2) @ rows
        normal = (rows.T @ scaled + tie).tocsc()
        answer = linalg.spsolve(normal, scaled.T @ logs)
        trust = 1 / np.maximum(1, np.abs(rows @ answer - logs) * weights / 3)
    result[linked] = answer - answer.mean()
    sigmas[linked] = 1 / np.sqrt(normal.diagonal())
    return result, sigmas


def trend(values, period):
    """The smooth part of a series, and nothing of its flicker.

    values: (n,) with NaN where unknown; period: changes quicker than this many steps are never taken for trend.
    Returns (n,). A smoothing spline of evenly spaced values (second differences, Whittaker 1923), as stiff as the
    values themselves say: the penalty is chosen by restricted maximum likelihood (Wahba 1985; Reiss & Ogden 2009),
    so that in steady light the trend is a straight line, and no flicker is left in it as a slow wobble.
    """
    n = len(values)
    known = ~np.isnan(values)
    filled = np.interp(np.arange(n), np.flatnonzero(known), values[known])
    if n < 4:
        return np.full(n, filled.mean())
    second = np.diff(np.eye(n), 2, axis=0)
    eigen, vectors = np.linalg.eigh(second.T @ second)
    eigen[:2] = 0
    parts = vectors.T @ filled
    # The filter 1 / (1 + p (2 - 2 cos w)^2) has half its gain at the period where p (2 - 2 cos w)^2 = 1.
    softest = -2 * np.log(2 - 2 * np.cos(2 * np.pi / period))
    penalties = np.exp(np.arange(softest, softest + 25, 0.1))
    likelihood = [_restricted_likelihood(eigen[2:], parts[2:], p) for p in penalties]
    penalty = penalties[int(np.argmax(likelihood))]
    return vectors @ (parts / (1 + penalty * eigen))


def deflicker(levels_log, known, period):
    """What each photo's exposure has to be changed by.

    levels_log: (n,) log brightness as measured; known: (n,) exposure in stops from the camera's settings, 0 for all
    where unknown; period: see trend. Returns (estimated, kept, applied), all (n,) in stops: the photo's light with
    the camera's own changes taken out; its smooth part; and the gain that leaves just that smooth part. Where nothing
    could be measured only the known part is taken out.
    """
    estimated = levels_log / np.log(2) - known
    if np.isnan(estimated).all():
        return estimated, estimated, -known
    kept = trend(estimated, period)
    return estimated, kept, np.where(np.isnan(estimated), -known, kept - estimated - known)


def usable(light, clipped, inside):
    """Where a laid picture can be trusted: inside, and away from anything clipped.

    light: float32 (h, w); clipped: float32 (h, w), the laid clipping mask; inside: bool (h, w).
    """
    return inside & ~ndimage.binary_dilation(clipped > 0.01, iterations=1) & (light < 0.9 * WHITE)


def _blocks(values):
    """Sums over BLOCK x BLOCK blocks, float64."""
    height, width = (n // BLOCK for n in values.shape)
    cut = values[: height * BLOCK, : width * BLOCK].reshape(height, BLOCK, width, BLOCK)
    return cut.sum(axis=(1, 3), dtype=np.float64)


def _biweight(values, design, start, sigma, wide, prior):
    """Fit values (n,) = design (n, m) @ model (m,) by Tukey's biweight.

    start: (m,), the model to begin with; sigma: (n,), the values' standard deviations, and wide: (n,), those for the
    first step, while the model is still rough; prior: (m,), the model's own standard deviations about zero.
    Returns the model, the standard deviation of its first part, and bool (n,): which values agree with it.
    """
    model, hold_back, width, stretch = start.astype(float), np.diag(prior**-2.0), wide, 1.0
    for _ in range(60):
        error = values - design @ model
        u = np.square(error / (4.685 * stretch * width))
        weight = np.where(u < 1, np.square(1 - u), 0) / np.square(sigma)
        normal = (design.T * weight) @ design + hold_back
        change = np.linalg.solve(normal, design.T @ (weight * error) - hold_back @ model)
        model += change
        width = sigma
        stretch = max(1.4826 * float(np.median(np.abs(error)[u < 1] / sigma[u < 1])), 0.5)
        if np.abs(change[0]) < 1e-7:
            break
    return model, float(stretch * np.sqrt(np.linalg.inv(normal)[0, 0])), u < 1


def _doubt(first, second, ok):
    """How little says that a block is well laid, 0..1, and how much its texture disagrees (log squared).

    By the correlation of what is finer than three blocks, over three blocks.
    """
    fine = []
    # Next to what is undefined or clipped the local mean is not of the scene, and would agree by itself.
    inner = ndimage.uniform_filter(ok.astype(np.float32), 3 * BLOCK) > 0.999
    for picture in (first, second):
        log = np.log(np.maximum(picture, DARK))
        fine.append((log - ndimage.uniform_filter(log, 3 * BLOCK)) * inner)
    sums = [_blocks(p) / BLOCK**2 for p in (fine[0] * fine[1], fine[0] ** 2, fine[1] ** 2)]
    both, one, other = (np.maximum(ndimage.uniform_filter(s, 3), 0) for s in sums)
    power = np.sqrt(one * other)
    # A bare block beside a roof's edge would borrow the edge's agreement: its own texture has to say it too.
    own = np.sqrt(np.maximum(sums[1] * sums[2], 0))
    doubt = 1 - np.clip(both / (power + 1e-4), 0, 1) ** 2 * own / (own + 0.2 * power + 1e-9)
    return doubt, doubt * power


def _mode(values, weights):
    """Where the weighted values lie densest: a histogram of 0.2 % bins, smoothed by 1 %."""
    edges = np.arange(-3, 3, 0.002)
    density = ndimage.gaussian_filter1d(np.histogram(values, edges, weights=weights)[0], 5.0, mode="constant")
    return float(edges[np.argmax(density)] + 0.001)


def _restricted_likelihood(eigen, parts, penalty):
    shrink = penalty * eigen / (1 + penalty * eigen)
    return np.log(shrink).sum() / 2 - len(parts) / 2 * np.log((shrink * parts**2).sum() + 1e-30)
