"""Glare about lamps, which the lens spreads over what lies beside them, from how it moves over lasting places."""

import itertools
import math

import cv2
import numpy as np

from kerbwalk import beats, drift
from kerbwalk.light import BLOCK, WHITE

# Standard deviations of the bells of which glare is made, blocks: about 1.5 % of the picture's width, and doubled.
BELLS = (1, 2, 4, 8, 16)
# A lamp is a clipped spot of so many light proxy pixels at least that fills so much of its box, whose sides differ no
# more than by so many times.
LEAST, FILLS, OBLONG = 4, 0.5, 2
# A lamp may be missed in so many photos running, and is one if seen in so many. It lies no farther from where its last
# sights lead than so many of its radii, or this many pixels, and its size changes by no more (log) from sight to sight.
MISSED, SEEN, NEAR, PIXELS, GROWS = 6, 6, 1.0, 3.0, 0.35
# As long as only one place of it is known it may move so many radii. The last so many sights say how it goes on, at
# most so many photos beyond them, outside the picture.
FIRST, LEAD, BEYOND = 2.5, 6, 20
# Glare that is a larger part of a place's light than this is not taken off: what is left would be guesswork.
MOST = 0.3
# Photos have to be known to so much (log) for what lamps spread in them.
NEARLY = 0.01
# More sights than this are not asked.
SIGHTS = 12_000


def lamps(clipped):
    """Lamps in a light proxy: (n, 3), x, y and radius, pixels. clipped: bool (h, w).

    One that the picture's border cuts is taken to be as large across as along the border.
    """
    mask = clipped.view(np.uint8)
    first, above, wide, high = cv2.boundingRect(mask)
    if not wide:
        return np.zeros((0, 3))
    # Of a part of the picture, and with short labels, OpenCV takes a sixth of the time.
    part = mask[above : above + high, first : first + wide]
    count, _, boxes, middles = cv2.connectedComponentsWithStats(part, connectivity=8, ltype=cv2.CV_16U)
    boxes, middles = boxes[1:count] + [first, above, 0, 0, 0], middles[1:count] + [first, above]
    found = []
    for (left, top, width, height, area), (x, y) in zip(boxes.tolist(), middles.tolist(), strict=True):
        right, bottom = left + width, top + height
        radius = math.sqrt(area / math.pi)
        across, along = left == 0 or right == clipped.shape[1], top == 0 or bottom == clipped.shape[0]
        side = max(width, height)
        if across != along and (width < height if across else height < width):
            radius *= math.sqrt(side / min(width, height))
            x = right - side / 2 if left == 0 else left + side / 2 if across else x
            y = bottom - side / 2 if top == 0 else top + side / 2 if along else y
            oblong = 1
        else:
            oblong = side / min(width, height)
        if area >= max(LEAST, FILLS * width * height) and oblong <= OBLONG:
            found.append((x, y, radius))
    return np.array(found, float).reshape(-1, 3)


def followed(seen, inside):
    """The lamps of all photos, also where they are hidden, or just outside the picture.

    seen: for each photo lamps() on the reference's plane, (n, 3); inside: function of a photo and places (n, 2): bool
    (n,), where its picture shows them. Returns the same as seen, of lamps that last: what passes by, and what is
    clipped for a while in its light, is left out.
    """
    chains, going = [], []
    for photo, free in enumerate(found.tolist() for found in seen):
        going = [chain for chain in going if photo - chain[-1][0] <= MISSED]
        for chain in sorted(going, key=len, reverse=True):
            if not free:
                break
            last = chain[-1]
            where = _led(chain[-LEAD:], photo) if len(chain) > 2 else last[1:3]
            best = min(free, key=lambda lamp: math.dist(lamp[:2], where))
            reach = max(PIXELS, last[3] * (NEAR if len(chain) > 2 else FIRST))
            if math.dist(best[:2], where) < reach and abs(math.log(best[2] / last[3])) < GROWS:
                free.remove(best)
                chain.append((photo, *best))
        begun = [[(photo, *lamp)] for lamp in free]
        chains += begun
        going += begun
    lasting = [[] for _ in seen]
    for chain in (np.array(chain) for chain in chains if len(chain) >= SEEN):
        first, last = int(chain[0, 0]), int(chain[-1, 0])
        photos = np.arange(max(first - BEYOND, 0), min(last + BEYOND, len(seen) - 1) + 1)
        where = np.column_stack([np.interp(photos, chain[:, 0], chain[:, i]) for i in (1, 2)])
        for some, sights in ((photos < first, chain[:LEAD]), (photos > last, chain[-LEAD:])):
            where[some] = np.column_stack(_led(sights, photos[some]))
        radius = np.exp(np.polyval(np.polyfit(chain[:, 0], np.log(chain[:, 3]), 1), photos))
        for photo, place, size in zip(photos.tolist(), where, radius, strict=True):
            if first <= photo <= last or not inside(photo, place[None])[0]:
                lasting[photo].append((*place, size))
    return [np.array(one).reshape(-1, 3) for one in lasting]


def veils(found, rows, columns):
    """What each bell makes of a photo's lamps: float32 (rows, columns, bells), of blocks.

    found: (n, 3), lamps on the reference's plane. A lamp counts by the cube of its radius, as its glare's reach grows
    with it as well.
    """
    wide = 2 * np.square(np.array(BELLS) * BLOCK)[:, None, None]
    down, across = (
        np.exp(-np.square(np.arange(many) * BLOCK + (BLOCK - 1) / 2 - found[:, axis, None]) / wide)
        for many, axis in ((rows, 1), (columns, 0))
    )
    veil = (found[:, 2, None] ** 3 / wide * down).transpose(0, 2, 1) @ across
    return np.ascontiguousarray(WHITE * veil.transpose(1, 2, 0), np.float32)


def strengths(count, photo, point, value, rim, veil):
    """How strong each bell is, (bells,), and log brightness of the photos (count,), by which lamps' light differs.

    photo, point, value, rim: sights as in drift.drift, all known; veil: (m, bells), veils() there.
    A place's light is its own and what the lamps add. So least squares on its logarithm, linearised again and again
    (Gauss-Newton), with one brightness for each place and for each photo and the lens's vignetting, which are
    eliminated, and strengths that are not negative; weights as in drift.drift. That veiling
    glare is a sum of what each source spreads, by a function of the distance, is how it is modelled in general (from
    memory: Talvala et al. 2007); how it falls with the distance is not assumed.
    """
    known = np.bincount(point, minlength=1)[point] >= min(drift.OFTEN, count)
    point = np.unique(point[known], return_inverse=True)[1]
    some = point % (1 + len(point) // SIGHTS) == 0
    photo, value, rim, veil = (part[known][some] for part in (photo, value, rim, veil))
    point = np.unique(point[some], return_inverse=True)[1]
    free, bells = count + 1, veil.shape[1]
    answer = np.zeros(free + bells)
    if not len(value) or not veil.any():
        return answer[free:], answer[:count]
    answer[:count] = _begun(count, photo, point, value)
    own = beats.medians(point, value - answer[photo])
    light, many = np.exp(value), np.bincount(point)
    prior = np.diag([*([1e-4] * count), 4 * drift.UNEVEN**2 / drift.VIGNETTING**2, *([0] * bells)])
    every, end = [(np.eye(count), np.ones(len(photo)))], 3 * drift.FAR
    for _ in range(15):
        levels = answer[:count]
        spread = veil * np.exp(levels - levels.mean())[photo, None]
        rest = np.maximum(light - spread @ answer[free:], 0.5 * light)
        columns = spread / rest[:, None]
        told = np.log(rest) + columns @ answer[free:]
        error = told - own[point] - levels[photo] - rim * answer[count] - columns @ answer[free:]
        weight = np.square(np.maximum(1 - np.square(error / end), 0))
        uneven = np.bincount(point, np.minimum(np.square(error), end**2)) / many
        weight *= (drift.UNEVEN**2 / (drift.UNEVEN**2 + uneven))[point]
        normal, mean = drift.eliminated(photo, point, weight, np.column_stack([rim, columns, told]), every)
        answer = _bounded(normal[:-1, :-1] + prior, normal[:-1, -1], free)
        own = mean[:, -1] - mean[:, :-1] @ answer
        end = max(0.8 * end, drift.NEAR)
    return answer[free:], answer[:count] - answer[:count].mean()


def _begun(count, photo, point, value):
    """log brightness of the photos (count,) as the medians of what places change by from one to the next add up to.

    Where the light falls, or the exposure changes, photos are too far apart to begin with all as one.
    """
    later, _, change = beats.changes(photo, point, value)
    known, step = np.unique(later, return_inverse=True)
    levels = np.zeros(count)
    levels[known] = beats.medians(step, change)
    return np.cumsum(levels)


def _led(chain, photos):
    """Where a lamp's sights lead, x and y: a straight line through them. photos: a number, or (n,)."""
    count = len(chain)
    # Of so few sights Python's own sums are quicker than NumPy's.
    middle, *means = (sum(one[axis] for one in chain) / count for axis in (0, 1, 2))
    far = sum((one[0] - middle) ** 2 for one in chain)
    slopes = (sum((one[0] - middle) * one[axis] for one in chain) / far for axis in (1, 2))
    return [mean + (photos - middle) * slope for mean, slope in zip(means, slopes, strict=True)]


def _bounded(normal, right, free):
    """The least squares of these normal equations, of which all from the place `free` on are not negative."""
    by = np.linalg.solve(normal[:free, :free], np.column_stack([normal[:free, free:], right[:free]]))
    left = normal[free:, free:] - normal[free:, :free] @ by[:, :-1]
    scale = 1 / np.sqrt(np.maximum(np.diag(left), 1e-12))
    left = left * scale * scale[:, None] + 1e-6 * np.eye(len(scale))
    wanted = scale * (right[free:] - normal[free:, :free] @ by[:, -1])
    best, bounded = 0.0, np.zeros(len(scale))
    # They are few, so each choice of those that are not zero is tried.
    for chosen in itertools.product([False, True], repeat=len(scale)):
        some = np.flatnonzero(chosen)
        found = np.linalg.solve(left[np.ix_(some, some)], wanted[some])
        if (found >= 0).all() and wanted[some] @ found > best:
            best, bounded = wanted[some] @ found, np.zeros(len(scale))
            bounded[some] = found
    bounded *= scale
    return np.concatenate([by[:, -1] - by[:, :-1] @ bounded, bounded])
