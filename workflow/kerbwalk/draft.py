"""Small pictures straight from the sensor's mosaic, for a draft."""

import numpy as np

from kerbwalk.decode import added

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
    height, width = (n // factor for n in values.shape)
    cut = values[: height * factor, : width * factor]
    total, levels, counts = np.zeros((height, width, 3), np.float32), np.zeros(3), np.zeros(3)
    for down in range(rows):
        line = added([cut[k::factor] for k in range(down, factor, rows)])
        for across in range(columns):
            colour = pattern[down, across]
            total[..., colour] += added([line[:, k::factor] for k in range(across, factor, columns)])
            levels[colour] += black[down, across]
            counts[colour] += 1
    times = factor**2 / (rows * columns)
    return (total - np.float32(times * levels)) / np.float32(times * np.maximum(counts, 1))
