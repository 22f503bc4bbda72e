"""Positions in a picture and in a reduced copy of it, whose pixels are each the mean of scale x scale.

As pixel centres are at integers, pixel x of the copy lies at scale * x + (scale - 1) / 2 of the picture.
"""

import numpy as np

# Tiles across a picture's long side, in which detail and cover are measured.
TILES = 12


def enlarged(point, scale):
    """A point (..., 2) of the reduced copy, in the picture's pixels."""
    return np.asarray(point) * scale + (scale - 1) / 2


def reduced(point, scale):
    """A point (..., 2) of the picture, in the reduced copy's pixels."""
    return (np.asarray(point) - (scale - 1) / 2) / scale


def enlarging(scale):
    """The 3x3 matrix that takes points of the reduced copy to the picture."""
    shift = (scale - 1) / 2
    return np.array([[scale, 0, shift], [0, scale, shift], [0, 0, 1.0]])


def tiles(shape):
    """(rows, columns) of tiles in a picture of (height, width)."""
    return tuple(max(1, round(TILES * n / max(shape))) for n in shape)
