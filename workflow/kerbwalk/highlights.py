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

# As far as interpolation carries a lamp's channels over its edge, photo pixels; and how far off a mix of white and what
# lies around a colour is when it is replaced by one, as a part of white.
REACH, OFF = 2, 0.02
WHITE = 65535
# A channel counts as clipped from this part of its full level on; the rebuilding sets in before.
FULL, FIRST = 0.977, 0.92


def restore(frame, full):
    """What is done to a decoded frame, in place: rebuild(), whose answer it gives, and settle_edges()."""
    clipped = rebuild(frame, full)
    settle_edges(frame, clipped)
    return clipped


@compiled
def rebuild(frame, full):
    """Rebuild a frame in place, and say where it was clipped.

    frame: uint16 (h, w, 3), scene-linear balanced camera RGB; full: float32 (3,), the level of each channel at which
    the sensor is full, the greatest of them 65535. Returns bool (h, w): any channel is clipped. Where all are, all get
    the greatest level.
    """
    clipped = np.zeros(frame.shape[:2], np.bool_)
    least = FIRST * full.min()
    for y in range(frame.shape[0]):
        # Most lines hold nothing bright, which the vector units see at once.
        for x in range(frame.shape[1] if _greatest(frame[y].reshape(-1)) >= least else 0):
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
def _greatest(values):
    greatest = values[0]
    for k in range(np.uint64(len(values))):
        greatest = max(greatest, values[k])
    return greatest


@compiled
def _raised(value, wanted, full):
    """The value, moved to the wanted one as far as it is clipped, and never down."""
    share = min(max((value / full - FIRST) / (FULL - FIRST), 0.0), 1.0)
    share = share * share * (3 - 2 * share)
    return value + share * max(wanted - value, 0.0)


@compiled
def settle_edges(frame, clipped):
    """Take false colours off the edges of what is white, in place.

    frame: uint16 (h, w, 3), rebuilt; clipped: what rebuild() said of it.
    A mosaic's colours lie beside each other, and where a lamp begins between two of them interpolation makes lines of
    violet and red. What lies within REACH of white becomes a mix of white and the mean of what lies as far around and
    further from white; the share is the one in the middle of the channels' own.
    """
    height, width = frame.shape[:2]
    near, lines = np.zeros((height, width), np.bool_), np.zeros(height, np.bool_)
    for y in range(height):
        for x in range(width if _greatest(clipped[y].view(np.uint8)) else 0):
            if clipped[y, x] and _is_white(frame, y, x):
                for v in range(max(y - REACH, 0), min(y + REACH + 1, height)):
                    lines[v] = True
                    for u in range(max(x - REACH, 0), min(x + REACH + 1, width)):
                        near[v, u] = True
    for y in range(height):
        for x in range(width if lines[y] else 0):
            if near[y, x] and not _is_white(frame, y, x):
                _settle(frame, near, y, x)


@compiled
def _is_white(frame, y, x):
    return frame[y, x, 0] == WHITE and frame[y, x, 1] == WHITE and frame[y, x, 2] == WHITE


@compiled
def _settle(frame, near, y, x):
    red = green = blue = 0.0
    count = 0
    for v in range(max(y - REACH, 0), min(y + REACH + 1, near.shape[0])):
        for u in range(max(x - REACH, 0), min(x + REACH + 1, near.shape[1])):
            if not near[v, u]:
                red, green, blue = red + frame[v, u, 0], green + frame[v, u, 1], blue + frame[v, u, 2]
                count += 1
    if count == 0 or min(red, green, blue) >= count * WHITE:
        return
    red, green, blue = red / count, green / count, blue / count
    pixel = frame[y, x]
    a, b, c = _share(pixel[0], red), _share(pixel[1], green), _share(pixel[2], blue)
    share = max(min(a, b), min(max(a, b), c), 0.0)
    red, green, blue = red + share * (WHITE - red), green + share * (WHITE - green), blue + share * (WHITE - blue)
    off = max(abs(pixel[0] - red), abs(pixel[1] - green), abs(pixel[2] - blue)) / WHITE
    taken = min(off / OFF, 1.0)
    pixel[0] = np.uint16(pixel[0] + taken * (red - pixel[0]) + 0.5)
    pixel[1] = np.uint16(pixel[1] + taken * (green - pixel[1]) + 0.5)
    pixel[2] = np.uint16(pixel[2] + taken * (blue - pixel[2]) + 0.5)


@compiled
def _share(value, around):
    return (value - around) / max(WHITE - around, 1.0)
