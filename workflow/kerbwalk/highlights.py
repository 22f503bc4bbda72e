"""Highlights in which some channels of the sensor are clipped, rebuilt so that lamps end in white and not in magenta.

White balance lifts the channels by different factors, so where all three are full they stand at different levels, and
a lamp's core takes on the balance's own colour. Cutting all to the lowest would throw away what the others still
hold. Instead a clipped channel, of which only the least value is known, is raised to what the others say:
red and blue to each other, green to their geometric mean. That is the line on which the lights of black bodies lie in
log chromaticity (Finlayson & Hordley 2001, "Color constancy at a pixel", from memory), with the slope of one at which
most sensors come near to it; it leads from a lamp's own hue to white without a step.
"""

import numpy as np

from kerbwalk.compiled import compiled

# A channel counts as clipped from this part of its full level on; the rebuilding sets in before.
FULL, FIRST = 0.977, 0.92


@compiled
def rebuild(frame, full):
    """Rebuild a frame in place, and say where it was clipped.

    frame: uint16 (h, w, 3), scene-linear balanced camera RGB; full: float32 (3,), the level of each channel at which
    the sensor is full, the greatest of them 65535. Returns bool (h, w): any channel is clipped. Where all are, all get
    the greatest level.
    """
    clipped = np.zeros(frame.shape[:2], np.bool_)
    for y in range(frame.shape[0]):
        for x in range(frame.shape[1]):
            pixel = frame[y, x]
            if pixel[0] < FIRST * full[0] and pixel[1] < FIRST * full[1] and pixel[2] < FIRST * full[2]:
                continue
            red, green, blue = np.float64(pixel[0]), np.float64(pixel[1]), np.float64(pixel[2])
            clipped[y, x] = red >= FULL * full[0] or green >= FULL * full[1] or blue >= FULL * full[2]
            most = max(red, blue)
            red = _raised(red, max(most, green), full[0])
            blue = _raised(blue, max(most, green), full[2])
            green = _raised(green, np.sqrt(red * blue), full[1])
            frame[y, x, 0] = np.uint16(min(red, 65535.0) + 0.5)
            frame[y, x, 1] = np.uint16(min(green, 65535.0) + 0.5)
            frame[y, x, 2] = np.uint16(min(blue, 65535.0) + 0.5)
    return clipped


@compiled
def _raised(value, wanted, full):
    """The value, moved to the wanted one as far as it is clipped, and never down."""
    share = min(max((value / full - FIRST) / (FULL - FIRST), 0.0), 1.0)
    share = share * share * (3 - 2 * share)
    return value + share * max(wanted - value, 0.0)
