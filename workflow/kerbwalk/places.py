"""Places that flicker by themselves, such as a lamp that beats with the mains, and colours that do."""

from dataclasses import dataclass

import cv2
import numpy as np

from kerbwalk.light import levels
from kerbwalk.trend import trend

# A place flickers where over a stretch of this many photos the changes are as large (log), and so much larger than what
# sets neighbouring blocks apart; and where it has this many blocks, and no more a side.
STRETCH, FLICKER, ALIKE, LEAST, MOST = 16, 0.02, 2.0, 3, 12
# Where blocks of one place differ by more than this part of its flicker, or its lows and highs are so unlike, things
# pass there.
WITHIN, LOPSIDED = 0.3, 2.0
# Colours are evened where they flicker by more than this (log) and this many times what their links disagree by.
COLOUR, COLOUR_SURE = 0.004, 4.0


@dataclass
class Place:
    """A place that flickers: box (left, top, right, bottom) in blocks, and the log brightness of each photo there,
    (n,), beyond the photo's own and beyond slow change."""

    box: tuple
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
    swings = np.array([ratios[late].change[1] - ratios[early].change[1] for early, late in following], float)
    seen = np.isfinite(swings)
    number = np.array([_sums(one) for one in seen.astype(float)])
    mean = np.array([_sums(one) for one in np.where(seen, swings, 0)]) / np.maximum(number, 1)
    square = np.array([_sums(one) for one in np.where(seen, swings, 0) ** 2]) / np.maximum(number, 1)
    apart = np.sqrt(np.maximum(square - mean**2, 0))
    flagged = np.zeros(swings.shape[1:], bool)
    for start in range(0, len(swings) - STRETCH + 1, STRETCH // 2):
        stretch = slice(start, start + STRETCH)
        # The difference of two changes of independent values has six times their variance.
        swing, spread = (np.median(np.abs(part[stretch]), axis=0) / np.sqrt(6) for part in (mean, apart))
        clear = 1.48 * swing > ALIKE * (spread + 0.005)
        flagged |= clear & (1.48 * swing > FLICKER) & ((number[stretch] >= 6).mean(axis=0) > 0.7)
    found, names = cv2.connectedComponents(flagged.astype(np.uint8), connectivity=8)
    places = (_place(np.nonzero(names == index), count, ratios, period) for index in range(1, found))
    return [place for place in places if place]


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


def _place(blocks, count, ratios, period):
    """The Place that blocks (rows, columns) make, or None where it is none."""
    rows, columns = blocks
    box = (int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1)
    parts = {pair: r.change[1, rows, columns] for pair, r in ratios.items()}
    links = {pair: float(np.nanmedian(part)) for pair, part in parts.items() if np.isfinite(part).any()}
    if len(rows) < LEAST or max(box[2] - box[0], box[3] - box[1]) > MOST or len(links) < count / 2:
        return None
    level = levels(count, links)
    flicker = np.nan_to_num(level - trend(level, period))
    low, middle, high = np.quantile(flicker, [0.05, 0.5, 0.95])
    within = np.nanmedian([np.nanmedian(np.abs(parts[pair] - link)) for pair, link in links.items()])
    even = max(high - middle, middle - low) < LOPSIDED * min(high - middle, middle - low)
    return Place(box, flicker) if even and within < WITHIN * np.std(flicker) > WITHIN * FLICKER else None


def _sums(values):
    return cv2.boxFilter(values, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT)
