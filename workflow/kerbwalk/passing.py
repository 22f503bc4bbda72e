"""Light that passes by, such as that of a bus, so faint and soft that two photos alone cannot tell it from a gain.

A gain is the same all over a photo; what a bus adds has borders, and is not there before and after. So the parts of the
picture, each followed through the photos by itself, tell the two apart. A method of our own.
"""

import itertools

import numpy as np

from kerbwalk import beats
from kerbwalk.light import BLOCK_FLOOR, FAINT, LIT, PLAIN, medians, mixture

# Links over so many steps at most are asked, as those over more say no more.
FAR = 2
# Photos to either side that tell how bright a part is when nothing passes; and once it is known when something does.
AROUND, CLOSER = 10, 5
# Parts that change by more than this in so many photos (log), as the sky at dusk, do not tell.
TURN = 0.05
# Other gains are sought in steps (log) up to so many of them, as links may take all of a bus's light for one; parts are
# asked that are off by no more than so many.
STEP, SPAN, WIDE = 1e-3, 200, 400
# Standard deviations of parts are rounded to these.
SIZES = np.geomspace(BLOCK_FLOOR, 0.08, 9)
# Another gain is taken if it is likelier by so much (log), and farther off than this (log).
CLEAR, NEAR = 4.0, 1e-3
# Then parts say it that are off by less than so many standard deviations. How many they are times how far apart has to
# be so much of what it is of all, in the photo or in one beside it.
END, WIDELY = 2.0, 0.3
# So many photos at either end do not tell by themselves that nothing passes.
ENDS = 2
# What passes lights so many of the parts that tell, and so many of all, by more than this (log).
BROAD, FEW, BRIGHT = 0.3, 0.2, 1e-2
ROUNDS = 4
# So many times at most the levels' drift is sought anew without the photos that it lights much.
TURNS = 5


def beating(ratios, levels):
    """What beats by itself, by how the parts change from photo to photo: see beats.found. Others as for without()."""
    placed, parts = _parts(ratios)
    return beats.found(len(levels), *_sights(placed, parts - levels[placed, None]))


def without(ratios, levels, beating=()):
    """Levels of the photos without the light that passes, where it was taken for a gain, (n,), log e; and of which
    photos it lights much, bool (n,).

    ratios: {(i, j): light.Ratio}; levels: (n,); beating: beating(), whose parts do not tell.
    """
    placed, parts = _parts(ratios)
    # Of few photos nobody knows what is usual.
    levels, much = levels.copy(), np.zeros(len(levels), bool)
    if len(placed) <= AROUND:
        return levels, much
    shares = beats.shares(beating, parts.shape[1], *_sights(placed, parts - levels[placed, None]))
    parts[:, (np.abs(shares) > BRIGHT).any(axis=1)] = np.nan
    at = np.indices(next(iter(ratios.values())).parts.shape).reshape(2, -1)
    known, found, lit = np.isfinite(parts).sum(axis=1), np.zeros(len(placed)), np.zeros(parts.shape, bool)
    beyond, at_ends = parts - levels[placed, None], np.ones(len(placed), bool)
    at_ends[ENDS:-ENDS] = False
    for reach in (AROUND, *[CLOSER] * (ROUNDS - 1)):
        more = beyond - usual(np.where(lit, np.nan, beyond - found[:, None]), reach)
        change = unlit(more, at)
        lit = more - change[:, None] > BRIGHT
        broad = lit.sum(axis=1) >= np.maximum(BROAD * np.isfinite(more).sum(axis=1), FEW * known)
        # What is there from the first photos on, or up to the last, has none beyond that could tell.
        there = broad | at_ends
        broad &= ~(np.logical_and.accumulate(there) | np.logical_and.accumulate(there[::-1])[::-1])
        lit &= broad[:, None]
        # What passes only adds light.
        found = np.where(broad, np.minimum(change, 0.0), 0.0)
    levels[placed] += found
    # It is there as well in photos between in which too little shows it.
    for one, other in itertools.pairwise(np.flatnonzero(broad)):
        broad[one:other] |= other - one <= CLOSER
    much[placed] = broad
    return levels, much


def _parts(ratios):
    """The photos that links know, in order, (n,), and how bright each part is in each: followed()."""
    pairs = np.array(list(ratios), int).reshape(-1, 2)
    placed, ordered = np.unique(pairs, return_inverse=True)
    ordered = ordered.reshape(pairs.shape)
    near = ordered[:, 1] - ordered[:, 0] <= FAR
    steps = np.array([one.parts.ravel() for one in ratios.values()])
    return placed, followed(ordered[near], steps[near]) if len(placed) else np.zeros((0, 0))


def _sights(placed, parts):
    """Parts of the photos placed, (n, parts), as places: the photo, the part, and how bright it is, (m,) each."""
    return np.repeat(placed, parts.shape[1]), np.tile(np.arange(parts.shape[1]), len(placed)), parts.ravel()


def followed(pairs, steps):
    """How bright each part is in each photo: log (n, parts), NaN where no link knows it.

    pairs: (m, 2), numbers of photos; steps: (m, parts), log ratios, NaN where unknown. Links that are wrong by more
    than blocks' floor count the less the more they are (iteratively reweighted least squares).
    """
    first, second = pairs.T
    known, steps = np.isfinite(steps), np.nan_to_num(steps)
    count, far, trust = second.max() + 1, (second - first).max(), known.astype(float)
    for _ in range(8):
        # Gaussian elimination of banded matrices: their middle diagonals, and those beside them.
        bands = np.zeros((far + 1, count + far, steps.shape[1]))
        bands[0], right = 1e-3, np.zeros(bands.shape[1:])
        for photo, sign in ((first, -1), (second, 1)):
            np.add.at(bands[0], photo, trust)
            np.add.at(right, photo, sign * trust * steps)
        bands[second - first, first] = -trust
        for k in range(count):
            own = bands[1:, k] / bands[0, k]
            for j in range(1, far + 1):
                bands[: far + 1 - j, k + j] -= own[j - 1] * bands[j:, k]
            right[k + 1 : k + 1 + far] -= own * right[k]
        for k in range(count - 1, -1, -1):
            right[k] = (right[k] - (bands[1:, k] * right[k + 1 : k + 1 + far]).sum(axis=0)) / bands[0, k]
        trust = known / np.maximum(1, np.abs(right[second] - right[first] - steps) / BLOCK_FLOOR)
    seen = np.zeros((count, steps.shape[1]), bool)
    for photo in (first, second):
        np.logical_or.at(seen, photo, known)
    return np.where(seen, right[:count], np.nan)


def usual(parts, reach):
    """What parts, (n, parts), are about each photo when nothing passes: the median of a stretch, along its slope.

    NaN where they change too much for that.
    """
    wide, near = (_stretches(len(parts), photos) for photos in (AROUND, reach))
    half = wide.shape[1] // 2
    early, late = (medians(parts[some], axis=1) for some in (wide[:, :half], wide[:, -half:]))
    slope = np.nan_to_num(late - early) / (wide.shape[1] - half)
    along = (near - np.arange(len(parts))[:, None])[..., None] * slope[:, None]
    return np.where(np.abs(late - early) < TURN, medians(parts[near] - along, axis=1), np.nan)


def unlit(beyond, at):
    """How much brighter each photo is where nothing lights it than it was thought to be: log (n,), 0 if nothing clear.

    beyond: (n, parts), what parts are beyond that and the usual, NaN where unknown; at: (2, parts), where they lie. The
    likeliest of the mixtures that light.ratio() knows, of photos that are lit or not; from there, Tukey's biweight
    (Beaton & Tukey 1974). A few parts side by side say nothing: where the halo of a lamp goes, as somebody stands
    before it, the rest is not lit.
    """
    sigma = 1.4826 * medians(np.abs(beyond[_stretches(len(beyond), AROUND)]), axis=1)
    place = np.rint(np.nan_to_num(beyond, nan=1.0) / STEP).astype(int)
    inside = np.abs(place) <= WIDE
    size, first = np.where(inside, np.searchsorted(SIZES[:-1], sigma), len(SIZES)), np.where(inside, WIDE - place, 0)
    off, told = STEP * np.arange(WIDE + SPAN, -WIDE - SPAN - 1, -1), []
    for kind, lit in ((PLAIN, 0), (LIT, 1), (FAINT, 1)):
        # The last line is for parts that say nothing.
        likely = np.vstack([np.log(sum(mixture(off, SIZES[:, None], kind, lit))), np.zeros(len(off))])
        told.append(np.lib.stride_tricks.sliding_window_view(likely, 2 * SPAN + 1, axis=1)[size, first].sum(axis=1))
    told, tried = np.max(told, axis=0), STEP * np.arange(-SPAN, SPAN + 1)
    clear = told.max(axis=1) > told[:, np.abs(tried) < NEAR].max(axis=1) + CLEAR
    found, sigma = tried[np.argmax(told, axis=1)], np.maximum(sigma, BLOCK_FLOOR)
    for _ in range(3):
        error = beyond - found[:, None]
        weight = np.nan_to_num(np.square(np.maximum(1 - np.square(error / sigma / END), 0)) / np.square(sigma))
        found = found + (weight * np.nan_to_num(error)).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    said = (np.abs(beyond - found[:, None]) < END * sigma) & (np.abs(beyond - found[:, None]) < np.abs(beyond))
    sure = clear & (_reach(said, at) > WIDELY * _reach(np.isfinite(beyond), at))
    return np.where(clear & np.convolve(sure, np.ones(3), "same").astype(bool), found, 0.0)


def _reach(chosen, at):
    """How many of the parts are chosen in each photo, times how far apart these lie (standard deviation), (n,)."""
    many = np.maximum(chosen.sum(axis=1), 1)
    mean, square = (np.array([chosen @ part for part in places]) / many for places in (at, np.square(at)))
    return many * np.sqrt(np.maximum(square - np.square(mean), 0).sum(axis=0))


def _stretches(count, reach):
    """(n, at most 2 reach + 1): the photos about each, at the ends of the walk as many."""
    first = np.clip(np.arange(count) - reach, 0, max(count - 2 * reach - 1, 0))
    return first[:, None] + np.arange(min(2 * reach + 1, count))
