"""Places that flicker by themselves, such as a lamp that beats with the mains, and colours that do."""

import functools
from dataclasses import dataclass

import cv2
import numpy as np

from kerbwalk.light import levels
from kerbwalk.trend import trend

# A place flickers where over a stretch of this many photos the changes are as large (log), and so much larger than what
# sets neighbouring blocks apart; it is the blocks of at least half the greatest changes there, if they are so many.
STRETCH, FLICKER, ALIKE, LEAST = 16, 0.02, 2.0, 6
# What flickers has one pattern of blocks (part of the changes' power in their first singular vector), not one change
# in ten beyond this many standard deviations (1.64 of a normal distribution), and no greater kurtosis than this (3 of a
# normal one); things that pass, and edges that flow lays badly now and then, have not all of them.
ONE_PATTERN, SELDOM, KURTOSIS = 0.8, 2.2, 6.0
# Its light reaches so many blocks further.
HALO = 4
# Colours are evened where they flicker by more than this (log) and this many times what their links disagree by.
COLOUR, COLOUR_SURE = 0.004, 4.0


@dataclass
class Place:
    """A place that flickers: box (left, top, right, bottom) in blocks; how much each block in it takes part,
    (rows, columns); and the log brightness of each photo there, (n,), beyond the photo's own and beyond slow change."""

    box: tuple
    pattern: np.ndarray
    flicker: np.ndarray


def flickering(count, ratios, period):
    """The places that flicker by themselves.

    count: photos; ratios: {(i, j): light.Ratio}; period: see trend.trend. Returns a list of Place.
    Flicker goes to and fro: what counts is the difference of two changes one after the other, its median over a
    stretch of the walk, which a misplaced edge or a shadow that wanders does not have; and neighbouring blocks take
    part alike, as they do not in what passes. A method of our own.
    """
    following = [((i, j), (j, k)) for i, j in ratios for k in (j + 1,) if j - i == 1 and (j, k) in ratios]
    if len(following) < STRETCH:
        return []

    def swing(place):
        early, late = following[place]
        return (ratios[late].change - ratios[early].change).astype(float)

    @functools.lru_cache(STRETCH)
    def about(place):
        """Of the blocks about each: a change of a change, its standard deviation, and of how many it is known."""
        one = swing(place)
        seen = np.isfinite(one)
        known, number = np.where(seen, one, 0), _sums(seen.astype(float))
        mean, square = (_sums(part) / np.maximum(number, 1) for part in (known, known**2))
        return mean, np.sqrt(np.maximum(square - mean**2, 0)), number

    strength = 0
    # Of a long walk all together would fill the memory.
    for start in range(0, len(following) - STRETCH + 1, STRETCH // 2):
        mean, apart, number = map(np.array, zip(*map(about, range(start, start + STRETCH)), strict=True))
        # The difference of two changes of independent values has six times their variance.
        # Medians of an even number, which NumPy's own takes five times as long for.
        usual, spread = (
            np.sort(np.abs(part), axis=0)[STRETCH // 2 - 1 : STRETCH // 2 + 1].mean(axis=0) / np.sqrt(6)
            for part in (mean, apart)
        )
        clear = (1.48 * usual > ALIKE * (spread + 0.005)) & ((number >= 6).mean(axis=0) > 0.7)
        strength = np.maximum(strength, np.where(clear & (1.48 * usual > FLICKER), usual, 0))
    found, names = cv2.connectedComponents((strength > 0).astype(np.uint8), connectivity=8)
    places = []
    for index in range(1, found):
        core = (names == index) & (strength >= strength[names == index].max() / 2)
        if core.sum() >= LEAST and _to_and_fro(np.array([swing(place)[core] for place in range(len(following))])):
            places.append(_place(core, count, ratios, period))
    return places


def colour_flicker(count, ratios, period):
    """How red and blue flicker against green: log (n, 2), zero where the evidence does not hold.

    count: photos; ratios: {(i, j): light.Ratio}; period: see trend.trend.
    """
    result = np.zeros((count, 2))
    for channel in range(2 if len(ratios) > 4 else 0):
        links = {pair: r.colour[channel] for pair, r in ratios.items()}
        level = levels(count, links)
        flicker = np.nan_to_num(level - trend(level, period))
        apart = [links[i, j] - level[j] + level[i] for i, j in links]
        if np.std(flicker) > max(COLOUR, COLOUR_SURE * np.std(apart)):
            result[:, channel] = flicker
    return result


def _to_and_fro(swings):
    """Whether changes of changes, (n, blocks) with NaN where unknown, are of one pattern and of one size."""
    known = np.isfinite(swings)
    rows = np.where(known, swings, 0)[known.mean(axis=1) > 0.8]
    if len(rows) < STRETCH // 2:
        return False
    times, power, _ = np.linalg.svd(rows, full_matrices=False)
    power, size = np.square(power), np.abs(rows)
    seldom = np.median(np.quantile(size, 0.9, axis=0) / (1.48 * np.median(size, axis=0) + 1e-9))
    kurtosis = (times[:, 0] ** 4).mean() / (times[:, 0] ** 2).mean() ** 2
    return power[0] > ONE_PATTERN * power.sum() and seldom < SELDOM and kurtosis < KURTOSIS


def _place(core, count, ratios, period):
    """The Place that the blocks of a core, bool (rows, columns), make with what their light reaches."""
    parts = {pair: r.change[core] for pair, r in ratios.items()}
    links = {pair: float(np.nanmedian(part)) for pair, part in parts.items() if np.isfinite(part).any()}
    level = levels(count, links)
    rows, columns = (np.flatnonzero(core.any(axis=axis)) for axis in (1, 0))
    top, left = max(rows[0] - HALO, 0), max(columns[0] - HALO, 0)
    inside = np.s_[top : rows[-1] + 1 + HALO, left : columns[-1] + 1 + HALO]
    changes = np.array([ratios[pair].change[inside] for pair in links], float)
    steps = np.array(list(links.values()))
    # By the median of ratios over the larger half of the steps, which things that pass do not carry with them.
    large = np.abs(steps) >= np.median(np.abs(steps))
    takes_part = changes[large] / steps[large, None, None]
    takes_part[:, np.isnan(takes_part).all(axis=0)] = 0
    pattern = np.nanmedian(takes_part, axis=0)
    box = (int(left), int(top), int(left) + pattern.shape[1], int(top) + pattern.shape[0])
    return Place(box, np.clip(pattern, 0, 2), np.nan_to_num(level - trend(level, period)))


def _sums(values):
    return cv2.boxFilter(values, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT)
