"""Hot and dead sites of the sensor, found from the shoot itself: they stay where they are while the scene moves.

At every site of the mosaic the value is compared with its eight nearest neighbours of the same colour, in units of the
noise at that brightness and of the spread of those neighbours. One photo says little, as a distant
lamp looks the same; the mean over many photos says much: what the scene does at a site changes from photo to photo,
what the sensor does stays. Own method, a test on a mean; each photo's word is bounded, so that no lamp decides alone.
"""

import itertools

import cv2
import numpy as np

from kerbwalk.compiled import compiled

# At most this many photos are asked, and fewer than that can say nothing.
MOST, LEAST = 16, 4
PAIRS, NEAR = 4, 8
# So many of them are first looked at cheaply, at all sites; only sites that seem odd to that are asked of all photos.
FIRST, SEEMING = 12, 0.9
# One photo's word is cut to this; how much the spread of the pairs' middles counts against the noise, both squared.
BOUND, SPREAD = 4.0, 0.06
# A site is odd whose mean word is at least so much, and so many times its own uncertainty, by how the photos' words
# scatter (by so much even where they all agree).
MEAN, SCATTER = 0.8, 0.3
LEAST_SURE, SUREST, STEP = 2.75, 5.0, 0.25
# Dead sites are rare: as many as this part of all sites that seem dead are chance, and so are as many that seem hot.
CHANCE = 3e-5
# No sensor that is still used has more odd sites than this part of all.
TOO_MANY = 0.004
# A site that a dark frame fills by this part of the range leaves too little of the photo, and too much noise.
GLARING = 1 / 4
# No more does a square of so many sites, a side: it is full of a lamp.
SQUARE = 8
# Deviations are known by 256ths of the 16-bit range, from about so many sites.
LEVEL, SAMPLES = 256, 2**17
QUARTER = np.float32(0.25)


def neighbours(pattern):
    """Where the eight nearest sites of the same colour lie that face each other in pairs.

    pattern: int (p, q), the colours of the mosaic's repeating cell. Returns int64 (p, q, 8, 2), steps in y and x; the
    last four are the first four turned about.
    """
    p, q = pattern.shape
    ahead = [(y, x) for y in range(7) for x in range(-6, 7) if y or x > 0]
    ahead.sort(key=lambda step: (step[0] ** 2 + step[1] ** 2, step))

    def pairs(y, x):
        same = [
            (dy, dx)
            for dy, dx in ahead
            if pattern[(y + dy) % p, (x + dx) % q] == pattern[(y - dy) % p, (x - dx) % q] == pattern[y, x]
        ]
        return same[:PAIRS] + [(-dy, -dx) for dy, dx in same[:PAIRS]]

    return np.array([[pairs(y, x) for x in range(q)] for y in range(p)])


def chosen(count):
    """Which of a shoot's photos are asked: at most MOST, spread over it; those far apart come one after the other."""
    spread = np.unique(np.linspace(0, count - 1, MOST).round().astype(int)) if count else np.zeros(0, int)
    return [int(k) for start in range(4) for k in spread[start::4]]


def sites(mosaics):
    """The hot and dead sites of a sensor: int (n, 2), x and y; none where fewer than LEAST photos are given.

    mosaics: files.photo.Mosaic of a shoot's photos, all of one size, in the order of `chosen`; any iterable, as those
    after the first ones are only asked about a few sites and need not be kept.
    """
    mosaics = iter(mosaics)
    first = list(itertools.islice(mosaics, FIRST))
    if len(first) < LEAST:
        return np.zeros((0, 2), int)
    steps = neighbours(first[0].pattern)
    places = seeming([mosaic.values for mosaic in first], steps)
    said = np.array([words(mosaic, steps, places) for mosaic in first])
    # what those photos hardly speak of need not be asked of the others
    speaking = np.abs(said.mean(axis=0)) > MEAN / 2
    places, shape = places[speaking], first[0].values.shape
    said = [*said[:, speaking], *(words(mosaic, steps, places) for mosaic in mosaics)]
    return odd(places, np.array(said), shape)


def padded(mosaic, steps):
    """A mosaic with as much around it as the neighbours reach, and how much that is, one site
    more for what lies beside those.

    Mirrored about the outermost site, colours stay in their places.
    """
    reach = int(np.abs(steps).max()) + 1
    return cv2.copyMakeBorder(mosaic, reach, reach, reach, reach, cv2.BORDER_REFLECT_101), reach


def seeming(photos, steps):
    """The sites that seem odd, int64 (n, 2), y and x, by their mean difference from their four nearest neighbours.

    photos: uint16 (h, w) mosaics of a shoot, the first FIRST of those asked; steps: neighbours().
    """
    total = np.zeros(photos[0].shape, np.float32)
    for mosaic in photos:
        wide, reach = padded(mosaic, steps)
        _glimpse(wide, steps, reach, np.float32(1) / deviations(*_samples(wide, steps, reach)), total)
    return np.argwhere(np.abs(total) > SEEMING * len(photos))


def words(mosaic, steps, places):
    """What one photo says of some sites, float32 (n,): how far each is beyond all middles of two that face each other
    across it, in deviations. On an edge or a line, of windows above all, one of those pairs lies along it.

    mosaic: files.photo.Mosaic; steps: neighbours(); places: int64 (n, 2), y and x. An edge or a lamp shows in all
    colours, an odd site in none but its own: so in a Bayer mosaic what lies beside a site is taken off first, as bright
    as the site's colour is there.
    """
    wide, reach = padded(mosaic.values, steps)
    deviation, black = deviations(*_samples(wide, steps, reach)), np.float32(np.mean(mosaic.black))
    return _words(wide, steps, reach, deviation, black, mosaic.pattern.shape == (2, 2), places)


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


def odd(places, said, shape):
    """Which sites are hot or dead: int (n, 2), x and y.

    places: int64 (m, 2), y and x, of the sites that seemed odd; said: float32 (count, m), the photos' words on them;
    shape: (h, w). How sure a hot site has to be is told by the dead ones: a scene makes dark specks as it makes bright
    ones, sensors hardly ever, so the bound is where next to none seem dead. An odd site that touches more than one
    other is a thing of a scene that did not move, and not of the sensor; and where there are very many, the whole scene
    stood still, and nothing can be told from it.
    """
    mean, count = said.mean(axis=0), shape[0] * shape[1]
    sure = np.where(np.abs(mean) > MEAN, mean / (said.std(axis=0) + SCATTER) * np.sqrt(len(said)), 0)
    bound = LEAST_SURE
    while bound < SUREST and (sure < -bound).sum() > CHANCE * count:
        bound += STEP
    marked = np.zeros(shape, np.uint8)
    marked[tuple(places[(sure > bound) | (sure < -SUREST)].T)] = 1
    wide, (height, width) = np.pad(marked, 1), shape
    alone = sum(wide[y : y + height, x : x + width] for y in range(3) for x in range(3)) <= 2
    found = np.argwhere(marked.astype(bool) & alone)[:, ::-1]
    return found if len(found) <= TOO_MANY * count else found[:0]


def mend(mosaic, steps, found):
    """Give hot and dead sites the middle of their neighbours of the same colour, in place.

    mosaic: uint16 (h, w); steps: neighbours(); found: int (n, 2), x and y. Neighbours that are themselves among the
    found do not count; a site that has no others stays.
    """
    x, y = np.asarray(found).T
    height, width = mosaic.shape
    near_y, near_x = np.moveaxis(steps[y % steps.shape[0], x % steps.shape[1]], 2, 0) + np.stack([y, x])[..., None]
    inside = (near_y >= 0) & (near_y < height) & (near_x >= 0) & (near_x < width)
    good = inside & ~np.isin(near_y * width + near_x, y * width + x)
    values = mosaic[np.where(good, near_y, 0), np.where(good, near_x, 0)]
    middle = np.ma.median(np.ma.masked_array(values, ~good), axis=1)
    mosaic[y, x] = np.where(good.any(axis=1), np.rint(middle.filled(0)), mosaic[y, x])


def subtract(mosaic, dark, black):
    """Take what a dark frame holds above its black level from a photo, in place.

    mosaic, dark: uint16 (h, w) of one exposure; black: int (p, q), the black levels of a cell. What would be below
    zero is cut, as the mosaic cannot hold it.
    """
    rows, columns = black.shape
    for y, x in np.ndindex(rows, columns):
        part = mosaic[y::rows, x::columns]
        part[:] = np.clip(part - (dark[y::rows, x::columns].astype(np.int32) - black[y, x]), 0, 65535)


def lit(dark, black, most):
    """Whether what is given for a dark frame shows lights. dark, black, most: as for glaring().

    Hot sites lie alone, and what glows at the edges of some sensors is faint: so squares are judged by their middle.
    """
    squares = dark[: dark.shape[0] // SQUARE * SQUARE, : dark.shape[1] // SQUARE * SQUARE]
    squares = squares.reshape(squares.shape[0] // SQUARE, SQUARE, -1, SQUARE).swapaxes(1, 2)
    return bool(np.median(squares, axis=(2, 3)).max(initial=0) - black.max() > GLARING * (most - black.max()))


def glaring(dark, black, most):
    """The sites that are better mended than corrected by a dark frame: int (n, 2), x and y.

    dark, black: as for subtract(); most: the greatest value of the photos, near to which the brightest are cut off.
    """
    black = np.tile(black, np.ceil(np.divide(dark.shape, black.shape)).astype(int))[: dark.shape[0], : dark.shape[1]]
    return np.argwhere(dark - black > GLARING * (most - black.max()))[:, ::-1]


@compiled
def _around(padded, steps, y, x, near):
    """The middle of a site's neighbours.

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
    return (near[half - 1] + near[half]) / 2


@compiled
def _samples(padded, steps, reach):
    """What `deviations` wants, of some lines."""
    height, width = padded.shape[0] - 2 * reach, padded.shape[1] - 2 * reach
    each = max(1, height * width // SAMPLES)
    lines = (height + each - 1) // each
    around, excess = np.empty((2, lines, width), np.float32)
    near = np.empty(NEAR, np.float32)
    for line in range(lines):
        y = each * line
        for x in range(width):
            cell = steps[y % steps.shape[0], x % steps.shape[1]]
            around[line, x] = _around(padded, cell, y + reach, x + reach, near)
            excess[line, x] = np.float32(padded[y + reach, x + reach]) - around[line, x]
    return around.ravel(), excess.ravel()


@compiled
def _glimpse(padded, steps, reach, per_deviation, total):
    """Add to total what a photo says of each site by its two nearest pairs, for `seeming`.

    A line at a time, as if all its sites had the neighbours of one of the cell's columns: so the vector units do it.
    """
    words, most = np.empty(total.shape[1], np.float32), np.float32(BOUND)
    for y in range(total.shape[0]):
        here = padded[y + reach, reach:]
        for column in range(steps.shape[1]):
            cell = steps[y % steps.shape[0], column]
            a = padded[y + reach + cell[0, 0], reach + cell[0, 1] :]
            b = padded[y + reach + cell[1, 0], reach + cell[1, 1] :]
            c = padded[y + reach + cell[PAIRS, 0], reach + cell[PAIRS, 1] :]
            d = padded[y + reach + cell[PAIRS + 1, 0], reach + cell[PAIRS + 1, 1] :]
            for x in range(np.uint64(len(words))):
                around = np.uint32(a[x]) + np.uint32(b[x]) + np.uint32(c[x]) + np.uint32(d[x])
                excess = np.float32(here[x]) - np.float32(around) * QUARTER
                words[x] = min(max(excess * per_deviation[around // np.uint32(4 * LEVEL)], -most), most)
            for x in range(column, len(words), steps.shape[1]):
                total[y, x] += words[x]


@compiled
def _words(padded, steps, reach, deviation, black, bayer, places):
    said, near, beside = np.zeros(len(places), np.float32), np.empty(NEAR, np.float32), np.zeros(NEAR, np.float32)
    for k in range(len(places)):
        y, x = places[k, 0] + reach, places[k, 1] + reach
        cell = steps[places[k, 0] % steps.shape[0], places[k, 1] % steps.shape[1]]
        value = np.float32(padded[y, x])
        for n in range(NEAR):
            near[n] = padded[y + cell[n, 0], x + cell[n, 1]]
        level = near.mean()
        noise = deviation[int(level / LEVEL)] / 2
        if bayer:
            for n in range(NEAR):
                beside[n] = _beside(padded, y + cell[n, 0], x + cell[n, 1])
            ratio = min(max(level - black, np.float32(0)) / max(beside.mean() - black, noise), np.float32(2))
            for n in range(NEAR):
                near[n] -= ratio * beside[n]
            value -= ratio * _beside(padded, y, x)
        low = high = (near[0] + near[PAIRS]) / 2
        for pair in range(1, PAIRS):
            middle = (near[pair] + near[pair + PAIRS]) / 2
            low, high = min(low, middle), max(high, middle)
        spread = high - low
        excess = value - min(max(value, low), high)
        said[k] = min(max(excess / np.sqrt(noise * noise + SPREAD * spread * spread), -BOUND), BOUND)
    return said


@compiled
def _beside(padded, y, x):
    """The mean of the four sites beside one, without the lowest and the highest of them."""
    a, b = np.float32(padded[y, x - 1]), np.float32(padded[y, x + 1])
    c, d = np.float32(padded[y - 1, x]), np.float32(padded[y + 1, x])
    return (a + b + c + d - min(a, b, c, d) - max(a, b, c, d)) / 2
