"""Small pictures straight from the sensor's mosaic, for a draft."""

import numba
import numpy as np

# A draft's clip is fitted inside this box; its pictures have at least so many pixels on their long side: of more it
# would take longer, and show nothing more that one chooses by.
BOX, SIDE = (640, 360), 600


def factor(height, width, period):
    """Sensor pixels that become one pixel of a draft: a multiple of the colour pattern's period."""
    return period * max(1, max(width, height) // (SIDE * period))


def blocks(values, pattern, black, factor):
    """The mean of each colour over blocks of a mosaic, above black: float32 (h // factor, w // factor, 3).

    values: uint16 (h, w); pattern: int (p, q), the colours of its repeating cell, 0 red, 1 green, 2 blue; black: int
    (p, q); factor: a multiple of p and q. Pixel x of the result lies at factor x + (factor - 1) / 2.
    """
    rows, columns = pattern.shape
    total = _sums(values, np.asarray(pattern), factor)
    times = factor**2 // (rows * columns)
    counts = times * np.bincount(np.ravel(pattern), minlength=3)
    levels = times * np.bincount(np.ravel(pattern), np.ravel(black), minlength=3)
    return (total - np.float32(levels)) / np.float32(np.maximum(counts, 1))


@numba.njit(cache=True, nogil=True)
def _sums(values, pattern, factor):
    rows, columns = pattern.shape
    height, width = values.shape[0] // factor, values.shape[1] // factor
    total = np.zeros((height, width, 3), np.float32)
    line = np.empty(width * factor, np.uint32)
    for y in range(height):
        # Lines of one kind are added first, as they lie, by the vector units.
        for row in range(rows):
            line[:] = 0
            for j in range(y * factor + row, (y + 1) * factor, rows):
                line += np.ascontiguousarray(values[j, : len(line)])
            for column in range(columns):
                colour = pattern[row, column]
                for x in range(width):
                    added = np.uint32(0)
                    for i in range(x * factor + column, (x + 1) * factor, columns):
                        added += line[i]
                    total[y, x, colour] += added
    return total
