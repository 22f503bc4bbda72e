"""Noise taken off a sensor's mosaic by averaging what looks alike, so that walls keep their texture.

The noise of a site is that of its electrons and of its reading: its variance is a line over its level, whose two
numbers are read from the photo itself (`noise`). The generalised Anscombe transform makes that noise 1 at all levels
(Starck, Murtagh & Bijaoui 1998), non-local means average the sites whose surroundings are the same but for noise
(Buades, Coll & Morel 2005, "A non-local algorithm for image denoising"), and the exact unbiased inverse of the
transform brings the mean light back as it was, in dark parts too (Makitalo & Foi 2013, "Optimal inversion of the
generalized Anscombe transformation for Poisson-Gaussian noise", closed form). All on the mosaic, before interpolation
spreads the noise over neighbours: surroundings are compared in all colours, and sites are averaged with those of their
own colour alone. Weights fall off as in a bisquare (Goossens et al. 2008, "An improved non-local denoising algorithm")
and end where surroundings differ by more than noise alone makes them differ. All sources from memory.
"""

import numpy as np

from kerbwalk.compiled import compiled

# Surroundings reach so many sites to each side of a site, and alike ones are looked for so far away.
PATCH, FAR = 2, 8
# The mean square difference, of two times the noise, from which on surroundings are not alike.
UNLIKE = 2.2
# Lines worked on at a time, which stay at hand for all steps.
BAND = 48
# Blocks for reading the noise: their side in sites of one colour; of a level's blocks the part whose greatest variance
# is asked for, and what part of the true one that is where two blocks in three are flat (0.76 where all are, 0.80
# where every other one is; measured on noise alone).
BLOCK, FLAT, CHANCE = 16, 0.05, 0.78
LEVELS, LEAST = 24, 20
ZERO, ONE = np.float32(0), np.float32(1)


def noise(mosaic):
    """(gain, floor): the variance of a site's noise is gain * (value - black) + floor; (0, 0) where there is none.

    mosaic: files.photo.Mosaic. By the second differences of sites of one colour (Immerkaer 1996, "Fast noise variance
    estimation", from memory) in the flattest blocks of each level; blocks near the greatest value may be clipped.
    """
    rows, columns = mosaic.pattern.shape
    found = []
    for y, x in np.ndindex(rows, columns):
        plane = mosaic.values[y::rows, x::columns].astype(np.float32) - np.float32(mosaic.black[y, x])
        blocks = _blocks(plane)
        found.append(blocks[blocks[:, 2] < 0.9 * plane.max()])
    level, variance, _ = np.concatenate(found).T
    order = np.argsort(level, kind="stable")
    parts = [part for part in np.array_split(order, LEVELS) if len(part) >= LEAST]
    middles = np.array([level[part].mean() for part in parts])
    flat = np.array([np.quantile(variance[part], FLAT) / CHANCE for part in parts])
    if not len(parts) or flat.max() < 1e-3:
        return 0.0, 0.0
    lines, weight = np.stack([np.maximum(middles, 0), np.ones(len(parts))], axis=-1), 1 / np.maximum(flat, 1e-3)
    from scipy.optimize import nnls  # a fifth of a second, which decoding without denoising need not wait for

    gain, floor = nnls(lines * weight[:, None], flat * weight)[0]
    return float(gain), float(floor)


def denoised(mosaic, gain, floor, amount):
    """The values of a mosaic with less noise, float32 (h, w), finer than the sensor's steps.

    mosaic: files.photo.Mosaic; gain, floor: its noise(), with a gain above 0; amount: how much of what is found to be
    noise is taken off, 0 to 1.
    """
    values = mosaic.values.astype(np.float32)
    height, width = values.shape
    rows, columns = mosaic.pattern.shape
    black = np.tile(mosaic.black.astype(np.float32), (-(-height // rows), -(-width // columns)))[:height, :width]
    reading = np.float32(floor / gain**2)
    even = 2 * np.sqrt(np.maximum((values - black) / np.float32(gain) + np.float32(3 / 8) + reading, 0))
    # Mirrored about the outermost site, and moved by whole cells, colours stay in their places.
    down, across = np.arange(0, FAR + 1, rows), np.arange(-(FAR // columns) * columns, FAR + 1, columns)
    shifts = np.array([(y, x) for y in down for x in across if y or x > 0])
    reach = FAR + PATCH
    mean = _alike(np.pad(even, reach, mode="reflect"), shifts)[reach:-reach, reach:-reach]
    light = (_unbiased(mean) - reading) * np.float32(gain) + black
    return values + np.float32(amount) * (light - values)


def _unbiased(mean):
    """Electrons, reading noise included, whose transform has this mean."""
    mean = np.maximum(mean, np.float32(2 * np.sqrt(3 / 8)))
    root = np.float32(np.sqrt(3 / 2))
    return mean * mean / 4 + (root / 4 + (-11 / 8 + np.float32(5 / 8) * root / mean) / mean) / mean - np.float32(1 / 8)


@compiled
def _blocks(plane):
    """Of each block of a plane its mean, the variance of its noise, and its greatest value: float64 (n, 3)."""
    down, across = (plane.shape[0] - 2) // BLOCK, (plane.shape[1] - 2) // BLOCK
    found = np.empty((down * across, 3))
    for j in range(down):
        for i in range(across):
            total = square = 0.0
            most = plane[j * BLOCK, i * BLOCK]
            for y in range(j * BLOCK + 1, (j + 1) * BLOCK + 1):
                for x in range(i * BLOCK + 1, (i + 1) * BLOCK + 1):
                    upper = plane[y - 1, x - 1] - 2 * plane[y - 1, x] + plane[y - 1, x + 1]
                    here = plane[y, x - 1] - 2 * plane[y, x] + plane[y, x + 1]
                    lower = plane[y + 1, x - 1] - 2 * plane[y + 1, x] + plane[y + 1, x + 1]
                    square += (upper - 2 * here + lower) ** 2
                    total += plane[y, x]
                    most = max(most, plane[y, x])
            block = found[j * across + i]
            block[0], block[1], block[2] = total / BLOCK**2, square / (36 * BLOCK**2), most
    return found


@compiled
def _alike(values, shifts):
    """Each site's mean over those that look alike.

    values: float32 (h, w), noise 1; shifts: int (n, 2), y and x, half of those that are tried, as two sites have the
    same weight for each other.
    """
    height, width = values.shape
    total, share = values.copy(), np.ones_like(values)
    squares = np.empty((2 * PATCH + 1, width), np.float32)
    column, weight = np.zeros(width, np.float32), np.zeros(width, np.float32)
    per_site = ONE / np.float32(2 * UNLIKE * (2 * PATCH + 1) ** 2)
    for top in range(PATCH, height - PATCH, BAND):
        for k in range(len(shifts)):
            dy, dx = shifts[k]
            left, count = max(0, -dx), np.uint64(width - abs(dx))
            inner = count - np.uint64(2 * PATCH)
            for y in range(top - 2 * PATCH, min(top + BAND, height - PATCH - dy)):
                # the line that comes in below
                one, other = values[y + PATCH, left:], values[y + PATCH + dy, left + dx :]
                square = squares[(y + PATCH) % len(squares)]
                for x in range(count):
                    square[x] = (one[x] - other[x]) * (one[x] - other[x])
                if y < top:
                    continue
                for x in range(count):
                    column[x] = squares[0, x] + squares[1, x] + squares[2, x] + squares[3, x] + squares[4, x]
                for x in range(inner):
                    apart = column[x]
                    for step in range(1, 2 * PATCH + 1):
                        apart += column[x + np.uint64(step)]
                    like = max(ONE - apart * per_site, ZERO)
                    weight[x] = like * like
                here, there = left + PATCH, left + dx + PATCH
                one, other = values[y, here:], values[y + dy, there:]
                for_one, for_other = total[y, here:], total[y + dy, there:]
                of_one, of_other = share[y, here:], share[y + dy, there:]
                for x in range(inner):
                    for_one[x] += weight[x] * other[x]
                    of_one[x] += weight[x]
                for x in range(inner):
                    for_other[x] += weight[x] * one[x]
                    of_other[x] += weight[x]
    return total / share
