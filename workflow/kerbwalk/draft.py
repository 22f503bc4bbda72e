"""Small pictures straight from the sensor's mosaic, for a draft."""

import numba
import numpy as np

# A draft's clip is fitted inside this box; a crop for steadying keeps at least this part of the long side, as a rule.
BOX, CROP_ALLOWANCE = (640, 360), 1.15


def factor(height, width, period):
    """Sensor pixels that become one pixel of a draft: a multiple of the colour pattern's period."""
    return period * max(1, int(max(width, height) / (max(BOX) * CROP_ALLOWANCE * period)))


def blocks(values, pattern, black, factor):
    """The mean of each colour over blocks of a mosaic, above black: float32 (h // factor, w // factor, 3).

    values: uint16 (h, w); pattern: int (p, q), the colours of its repeating cell, 0 red, 1 green, 2 blue; black: int
    (p, q); factor: a multiple of p and q. Pixel x of the result lies at factor x + (factor - 1) / 2.
    """
    times = factor // np.array(pattern.shape)
    colours, blacks = np.tile(pattern, times), np.tile(black, times)
    counts = np.array([max(1, (colours == k).sum()) for k in range(3)], np.float32)
    offsets = np.array([blacks[colours == k].sum() for k in range(3)], np.float32)
    return (_summed(values, colours.astype(np.uint8), factor) - offsets) / counts


@numba.njit(cache=True, nogil=True)
def _summed(values, colours, factor):
    """Sums of the colours over blocks: float32 (h, w, 3)."""
    height, width = values.shape[0] // factor, values.shape[1] // factor
    total = np.zeros((height, width, 3), np.float32)
    for y in range(height):
        for down in range(factor):
            row, colour = values[y * factor + down], colours[down]
            for x in range(width):
                for across in range(factor):
                    total[y, x, colour[across]] += np.float32(row[x * factor + across])
    return total
