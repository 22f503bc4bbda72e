"""Small pictures straight from the sensor's mosaic, for a draft."""

import numpy as np

from kerbwalk.compiled import compiled

# A draft's clip is fitted inside this box; its pictures have at least so many pixels on their long side: of more it
# would take longer, and show nothing more that one chooses by.
BOX, SIDE = (640, 360), 600
NONE, HALF, WHITE = np.float32(0), np.float32(0.5), np.float32(65535)


def factor(height, width, period):
    """Sensor pixels that become one pixel of a draft: a multiple of the colour pattern's period."""
    return period * max(1, max(width, height) // (SIDE * period))


def blocks(values, pattern, black, factor, scale):
    """The mean of each colour over blocks of a mosaic, above black, times its scale.

    values: uint16 (h, w); pattern: int (p, q), the colours of its repeating cell, 0 red, 1 green, 2 blue; black: int
    (p, q); factor: a multiple of p and q; scale: (3,). Returns uint16 (h // factor, w // factor, 3), cut to its range;
    pixel x of it lies at factor x + (factor - 1) / 2.
    """
    times = factor**2 // pattern.size
    counts = times * np.bincount(np.ravel(pattern), minlength=3)
    levels = times * np.bincount(np.ravel(pattern), np.ravel(black), minlength=3)
    share = np.float32(scale / np.maximum(counts, 1))
    return _means(values, np.asarray(pattern), factor, np.float32(levels), share)


@compiled
def _means(values, pattern, factor, levels, share):
    rows, columns = pattern.shape
    height, width = values.shape[0] // factor, values.shape[1] // factor
    means = np.empty((height, width, 3), np.uint16)
    line = np.empty(width * factor, np.uint32)
    total = np.empty((3, width), np.float32)
    for y in range(height):
        total[:] = 0
        # Lines of one kind are added first, as they lie, by the vector units.
        for row in range(rows):
            line[:] = 0
            for j in range(y * factor + row, (y + 1) * factor, rows):
                line += np.ascontiguousarray(values[j, : len(line)])
            for k in range(factor):
                own = total[pattern[row, k % columns]]
                for x in range(width):
                    own[x] += np.float32(line[x * factor + k])
        for colour in range(3):
            for x in range(width):
                mean = (total[colour, x] - levels[colour]) * share[colour]
                means[y, x, colour] = np.uint16(min(max(mean, NONE), WHITE) + HALF)
    return means
