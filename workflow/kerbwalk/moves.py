"""Slow moves of the crop over the clip."""

import numpy as np


def moved(first, hold, move):
    """The crop of a frame on a move: (left, top, width, height).

    first: that of the first frame; hold: (2,); move: (3,), see kerbwalk.framing.crop.
    """
    left, top, width, height = first
    middle = np.array([left + width / 2, top + height / 2])
    middle = hold + (middle - hold) * move[0] + np.array(move[1:]) * (width, height)
    width, height = width * move[0], height * move[0]
    return float(middle[0] - width / 2), float(middle[1] - height / 2), float(width), float(height)


def soft_moves(count, push_in, pan):
    """How the crops of a clip move, (n, 3), as kerbwalk.framing.crop takes them.

    push_in: size of things in the last frame against the first, 1 to stand; pan: (2,) how far the crop's middle goes,
    in parts of its first size. It starts and ends softly: (1 - cos) / 2.
    """
    gone = (1 - np.cos(np.pi * np.linspace(0, 1, count))) / 2 if count > 1 else np.zeros(1)
    return np.column_stack([push_in**-gone, gone[:, None] * np.array(pan)])
