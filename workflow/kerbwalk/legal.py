"""Levels that are legal: what R'G'B' a picture of Y'CbCr shows, and how to keep it within EBU R 103's tolerances.

R'G'B' from -5 to 105 %, luma from -1 to 103 % (from memory of its version 3). A master has nothing outside 0 to 100 %,
but where chroma is coarser than luma a pixel gets its neighbours' colour with its own luma: on a lamp's edge, and in
the grain of saturated colours, that may be a colour that there is not.

Pictures: luma (h, w), blue, red (h / b, w / a), integers, Y'CbCr in narrow range of `depth` bits; chroma counts as the
same over the luma samples that share it. weights: (3,) of R', G', B' in luma.
"""

import numpy as np

RGB_LEVELS, LUMA_LEVELS = (-0.05, 1.05), (-0.01, 1.03)
# What is drawn in goes half as far beyond 0 and 1, which leaves room for the encoder's errors.
DRAWN_TO = (-0.025, 1.025)


def levels(luma, blue, red, depth, weights):
    """Parts of a picture: {illegal: outside EBU R 103's tolerances, at_white: or above it, at_black: or below it}."""
    y = _light(luma, depth)
    shape = blue.shape
    blocks = y.reshape(shape[0], y.shape[0] // shape[0], shape[1], -1)
    rgb = (blocks + part[:, None, :, None] for part in _colour(blue, red, depth, weights))
    illegal = (blocks < LUMA_LEVELS[0]) | (blocks > LUMA_LEVELS[1])
    for channel in rgb:
        illegal |= (channel < RGB_LEVELS[0]) | (channel > RGB_LEVELS[1])
    parts = {"illegal": illegal, "at_white": y >= 1, "at_black": y <= 0}
    return {key: float(where.mean()) for key, where in parts.items()}


def drawn_in(luma, blue, red, depth, weights):
    """The chroma of a picture drawn towards grey where it would show what is beyond DRAWN_TO, and no further.

    Luma and hue stay. Returns (blue, red), like the ones given.
    """
    shape = blue.shape
    blocks = _light(luma, depth).reshape(shape[0], luma.shape[0] // shape[0], shape[1], -1)
    # Luma itself is hardly ever beyond; where it is, no chroma is left.
    below, above = (
        np.minimum(DRAWN_TO[0] - blocks.min(axis=(1, 3)), 0),
        np.maximum(DRAWN_TO[1] - blocks.max(axis=(1, 3)), 0),
    )
    share = np.ones(shape, np.float32)
    for part in _colour(blue, red, depth, weights):
        room = np.where(part > 0, above, below)
        share = np.minimum(share, np.divide(room, part, out=np.ones_like(part), where=np.abs(part) > np.abs(room)))
    grey = 128 * 2 ** (depth - 8)
    return tuple((grey + np.trunc(share * (part.astype(np.float32) - grey))).astype(part.dtype) for part in (blue, red))


def _light(luma, depth):
    step = 2 ** (depth - 8)
    return (luma.astype(np.float32) - 16 * step) / (219 * step)


def _colour(blue, red, depth, weights):
    """What R', G' and B' are above luma."""
    step, weights = 2 ** (depth - 8), np.float32(weights)
    b, r = ((part.astype(np.float32) - 128 * step) / (224 * step) for part in (blue, red))
    b, r = 2 * (1 - weights[2]) * b, 2 * (1 - weights[0]) * r
    return r, -(weights[0] * r + weights[2] * b) / weights[1], b
