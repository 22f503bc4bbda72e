"""A clip in few colours: a palette for all its pictures, and each picture in it.

Colours are compared by the roots of their light, which come near enough to even steps for the eye, weighted for luma
as the eye sees fine detail (BT.601's weights, rounded); what the eye makes of neighbouring pixels is the mean of their
light, so that is what is kept.
"""

import math

import numpy as np

from kerbwalk.compiled import compiled

# One of a palette's 256 entries is left for what is transparent: pixels that stay as they were.
COLOURS = 255
# So many of them are the colours furthest from each other: only what lies between some of them can be mixed.
OUTER = 64
# Pixels are sorted into cells of so many steps a channel; a cell counts by this power of its pixels, as what is rare
# is looked at too.
STEPS, POWER = 64, 0.5
ROUNDS = 10
# A pixel keeps its colour from the picture before where the nearest is nearer by no more than this (of white's 1):
# dither that changes for nothing crawls, and costs a third of the file.
NEARER = 0.01
WEIGHTS = np.sqrt(np.float32([0.3, 0.59, 0.11]))
# Errors handed on add up where a colour cannot be mixed at all; beyond this much light off 0 to 1 they are let go.
BEYOND = np.float32(0.3)
ZERO, ONE = np.float32(0), np.float32(1)
# Floyd and Steinberg 1976: what the pixel's next, and those below it behind, under and ahead, get of its error.
AHEAD, BEHIND, BELOW, BELOW_AHEAD = (np.float32(part / 16) for part in (7, 3, 5, 1))


def cells(pictures):
    """The colours of a clip: (their weighted roots, float32 (n, 3); how many pixels have each, (n,)).

    pictures: light 0..1, float32 (h, w, 3), one at a time.
    """
    count, sums = np.zeros(STEPS**3), np.zeros((3, STEPS**3))
    for light in pictures:
        roots = np.sqrt(light).reshape(-1, 3)
        red, green, blue = np.minimum(roots * STEPS, STEPS - 1).astype(np.int64).T
        cell = (red * STEPS + green) * STEPS + blue
        count += np.bincount(cell, minlength=STEPS**3)
        sums += [np.bincount(cell, roots[:, channel], STEPS**3) for channel in range(3)]
    used = count > 0
    return np.float32(sums[:, used] / count[used]).T * WEIGHTS, count[used]


def chosen(roots, count):
    """A palette for cells(): light 0..1, float32 (n, 3), n at most COLOURS.

    Begun with the colours that are furthest from all before (Gonzalez 1985), from the first OUTER on weighed by their
    pixels; these others are then moved to the means of what is nearest to them (Lloyd 1982; both from memory).
    """
    weights = count**POWER
    away = np.square(roots - np.average(roots, axis=0, weights=weights)).sum(axis=1)
    picked = np.empty((min(COLOURS, len(roots)), 3), np.float32)
    for k in range(len(picked)):
        picked[k] = roots[np.argmax(away * weights if k >= OUTER else away)]
        new = np.square(roots - picked[k]).sum(axis=1)
        away = np.minimum(away, new) if k else new
    for _ in range(ROUNDS):
        nearest = _sorted(roots, picked)
        total = np.bincount(nearest, weights, len(picked))
        means = [np.bincount(nearest, weights * channel, len(picked)) for channel in roots.T]
        moved = (total > 0) & (np.arange(len(picked)) >= OUTER)
        picked[moved] = (means / np.maximum(total, 1e-9)).T[moved]
    return np.square(picked / WEIGHTS)


@compiled
def _nearest(red, green, blue, palette):
    """(Which of the palette's colours is nearest, the square of how far it is), all as weighted roots."""
    best, least = 0, np.float32(np.inf)
    for k in range(len(palette)):
        r, g, b = palette[k, 0] - red, palette[k, 1] - green, palette[k, 2] - blue
        square = r * r + g * g + b * b
        if square < least:
            best, least = k, square
    return best, least


@compiled
def _sorted(roots, palette):
    nearest = np.empty(len(roots), np.int64)
    for k in range(len(roots)):
        nearest[k] = _nearest(roots[k, 0], roots[k, 1], roots[k, 2], palette)[0]
    return nearest


def lay(light, palette, places, following):
    """Put a picture into a palette's colours.

    light: 0..1, float32 (h, w, 3); palette: light, float32 (n, 3), as it will be shown; places: uint8 (h, w), filled
    with the pixels' places in the palette; following: whether they hold those of the picture before.
    """
    _lay(light, palette, np.sqrt(palette) * WEIGHTS, WEIGHTS, np.float32(NEARER if following else -1), places)


@compiled
def _lay(light, palette, roots, weights, nearer, places):
    """Lines run to and fro, so that errors do not all drift one way."""
    height, width = places.shape
    errors, wanted, seen = np.zeros((2, 3 * width + 6), np.float32), np.empty(3, np.float32), np.empty(3, np.float32)
    for v in range(height):
        for k in range(3 * width + 6):
            errors[0, k], errors[1, k] = errors[1, k], ZERO
        step = 1 - 2 * (v % 2)
        for k in range(width):
            u = k if step > 0 else width - 1 - k
            at = 3 * u + 3
            for c in range(3):
                wanted[c] = min(max(light[v, u, c] + errors[0, at + c], -BEYOND), ONE + BEYOND)
                seen[c] = weights[c] * math.sqrt(min(max(wanted[c], ZERO), ONE))
            best, least = _nearest(seen[0], seen[1], seen[2], roots)
            if nearer >= ZERO:
                before = places[v, u]
                r, g, b = roots[before, 0] - seen[0], roots[before, 1] - seen[1], roots[before, 2] - seen[2]
                if math.sqrt(r * r + g * g + b * b) <= math.sqrt(least) + nearer:
                    best = before
            places[v, u] = best
            for c in range(3):
                error = wanted[c] - palette[best, c]
                errors[0, at + 3 * step + c] += AHEAD * error
                errors[1, at - 3 * step + c] += BEHIND * error
                errors[1, at + c] += BELOW * error
                errors[1, at + 3 * step + c] += BELOW_AHEAD * error
