"""Hot and dead sites of the sensor, found from the shoot itself: they stay where they are while the scene moves.

At every site of the mosaic the value is compared with the middle of its eight nearest neighbours of the same colour,
in units of the noise at that brightness and of the spread of those neighbours. One photo says little, as a distant
lamp looks the same; the mean over many photos says much: what the scene does at a site changes from photo to photo,
what the sensor does stays. Own method, a test on a mean; each photo's word is bounded, so that no lamp decides alone.
"""

import numba
import numpy as np
from scipy import ndimage

# At most this many photos are asked, and fewer than that can say nothing.
MOST, LEAST = 16, 4
NEAR = 8
# One photo's word is cut to this.
BOUND = 4.0
# A site is odd whose mean word is at least so much, and so many times its own uncertainty, by how the photos' words
# scatter (by so much even where they all agree).
MEAN, SCATTER = 0.8, 0.3
LEAST_SURE, SUREST, STEP = 3.0, 5.0, 0.25
# Dead sites are rare: as many as this part of all sites that seem dead are chance, and so are as many that seem hot.
CHANCE = 3e-5
# No sensor that is still used has more odd sites than this part of all.
TOO_MANY = 0.004
# After so many photos those that have hardly spoken for a site need not go on.
FIRST, HARDLY = 6, 0.3
# Deviations are known by 256ths of the 16-bit range.
LEVEL = 256


def neighbours(pattern):
    """Where the eight nearest sites of the same colour lie.

    pattern: int (p, q), the colours of the mosaic's repeating cell. Returns int64 (p, q, 8, 2), steps in y and x.
    """
    p, q = pattern.shape
    steps = [(y, x) for y in range(-6, 7) for x in range(-6, 7) if (y, x) != (0, 0)]
    steps.sort(key=lambda step: (step[0] ** 2 + step[1] ** 2, step))
    return np.array(
        [
            [[s for s in steps if pattern[(y + s[0]) % p, (x + s[1]) % q] == pattern[y, x]][:NEAR] for x in range(q)]
            for y in range(p)
        ]
    )


def chosen(count):
    """Which of a shoot's photos are asked: at most MOST, spread over it; those far apart come one after the other."""
    spread = np.unique(np.linspace(0, count - 1, MOST).round().astype(int)) if count else np.zeros(0, int)
    return [int(k) for start in range(4) for k in spread[start::4]]


def add(mosaic, steps, total, count):
    """Add one photo's word to the total.

    mosaic: uint16 (h, w), sensor values; steps: neighbours(); total: float32 (2, h, w), the sums of the words and of
    their squares, changed in place; count: how many photos have spoken before.
    """
    reach = int(np.abs(steps).max())
    # Mirrored about the outermost site, colours stay in their places.
    padded = np.pad(mosaic, reach, mode="reflect")
    deviation = deviations(*_samples(padded, steps, reach))
    _add(padded, steps, reach, deviation, total, np.float32(HARDLY * count if count >= FIRST else -1))


def deviations(around, excess):
    """The standard deviation of a site about its neighbours, float32 (256,): at each 256th of the 16-bit range.

    around, excess: float (n,), the neighbours' value and the difference from it. By the median of absolute
    differences, so that edges count little; a level that is hardly there takes after its neighbours.
    """
    level = (around / LEVEL).astype(np.int64)
    known = np.flatnonzero(np.bincount(level, minlength=256) >= 200)
    if not len(known):
        return np.full(256, np.inf, np.float32)
    spread = [max(1.4826 * np.median(np.abs(excess[level == k])), 1.0) for k in known]
    return np.interp(np.arange(256), known, spread).astype(np.float32)


def sites(total, count):
    """Which sites are hot or dead: int (n, 2), x and y.

    total: float32 (2, h, w), the words of `count` photos. How sure a hot site has to be is told by the dead ones: a
    scene makes dark specks as it makes bright ones, sensors hardly ever, so the bound is where next to none seem dead.
    An odd site that touches more than one other is a thing of a scene that did not move, and not of the sensor; and
    where there are very many, the whole scene stood still, and nothing can be told from it.
    """
    mean = total[0] / count
    scatter = np.sqrt(np.maximum(total[1] / count - mean * mean, 0)) + SCATTER
    sure = np.where(np.abs(mean) > MEAN, mean / scatter * np.sqrt(count), 0)
    bound = LEAST_SURE
    while bound < SUREST and (sure < -bound).sum() > CHANCE * sure.size:
        bound += STEP
    odd = (sure > bound) | (sure < -SUREST)
    alone = ndimage.convolve(odd.astype(np.uint8), np.ones((3, 3), np.uint8), mode="constant") <= 2
    found = np.argwhere(odd & alone)[:, ::-1]
    return found if len(found) <= TOO_MANY * odd.size else found[:0]


def mend(mosaic, steps, found):
    """Give hot and dead sites the middle of their neighbours of the same colour, in place.

    mosaic: uint16 (h, w); steps: neighbours(); found: int (n, 2), x and y. Neighbours that are themselves among the
    found do not count; a site that has no others stays.
    """
    bad = {(y, x) for x, y in np.asarray(found).tolist()}
    height, width = mosaic.shape
    mended = []
    for y, x in bad:
        near = [(y + dy, x + dx) for dy, dx in steps[y % steps.shape[0], x % steps.shape[1]]]
        good = [mosaic[p] for p in near if p not in bad and 0 <= p[0] < height and 0 <= p[1] < width]
        mended.append(np.median(good) if good else mosaic[y, x])
    for place, value in zip(bad, mended, strict=True):
        mosaic[place] = np.rint(value)


def subtract(mosaic, dark, black):
    """Take what a dark frame holds above its black level from a photo, in place.

    mosaic, dark: uint16 (h, w) of one exposure; black: int (p, q), the black levels of a cell. What would be below
    zero is cut, as the mosaic cannot hold it.
    """
    rows, columns = black.shape
    for y, x in np.ndindex(rows, columns):
        part = mosaic[y::rows, x::columns]
        part[:] = np.clip(part - (dark[y::rows, x::columns].astype(np.int32) - black[y, x]), 0, 65535)


@numba.njit(cache=True, nogil=True)
def _around(padded, steps, y, x, near):
    """The middle of a site's neighbours and half their spread, without the lowest and the highest of them.

    steps: int64 (8, 2); near: float32 (8,), to work in.
    """
    for k in range(NEAR):
        value = np.float32(padded[y + steps[k, 0], x + steps[k, 1]])
        place = k
        while place > 0 and near[place - 1] > value:
            near[place] = near[place - 1]
            place -= 1
        near[place] = value
    half = NEAR // 2
    return (near[half - 1] + near[half]) / 2, (near[NEAR - 2] - near[1]) / 2


@numba.njit(cache=True, nogil=True)
def _samples(padded, steps, reach):
    """What `deviations` wants, of every ninth line."""
    lines = (padded.shape[0] - 2 * reach + 8) // 9
    around, excess = np.empty((2, lines, padded.shape[1] - 2 * reach), np.float32)
    near = np.empty(NEAR, np.float32)
    for line in range(lines):
        for x in range(around.shape[1]):
            cell = steps[9 * line % steps.shape[0], x % steps.shape[1]]
            around[line, x], _ = _around(padded, cell, 9 * line + reach, x + reach, near)
            excess[line, x] = np.float32(padded[9 * line + reach, x + reach]) - around[line, x]
    return around.ravel(), excess.ravel()


@numba.njit(cache=True, nogil=True)
def _add(padded, steps, reach, deviation, total, least):
    near = np.empty(NEAR, np.float32)
    for y in range(total.shape[1]):
        for column in range(steps.shape[1]):
            cell = steps[y % steps.shape[0], column]
            for x in range(column, total.shape[2], steps.shape[1]):
                if abs(total[0, y, x]) > least:
                    around, spread = _around(padded, cell, y + reach, x + reach, near)
                    noise = deviation[int(around / LEVEL)] / 2
                    word = (np.float32(padded[y + reach, x + reach]) - around) / np.sqrt(noise**2 + spread**2)
                    word = min(max(word, -BOUND), BOUND)
                    total[0, y, x] += word
                    total[1, y, x] += word * word
