"""From a Bayer mosaic to colour, each channel full at its own level.

Green is interpolated first, along the direction in which the mosaic changes less, with the curvature of the site's own
colour as a correction; red and blue follow as differences from green, which change less than they do themselves
(Hamilton & Adams 1997, US patent 5,629,734, expired; weights instead of a choice between the directions, so that noise
does not make the choice, as in Lu & Tan 2003, "Color filter array demosaicking: new method and performance measures";
both from memory). A green is kept between the two on its line, so that no lamp gets a ring. All in floating point under
the balance; noise below the black level is cut off last, after it was averaged.
"""

import numpy as np

from kerbwalk.compiled import compiled

# Columns and lines of their own colour that are mirrored beyond the edges.
EDGE = 2
ZERO, HALF, QUARTER = np.float32(0), np.float32(0.5), np.float32(0.25)
# The square of a change that still may be noise: smaller ones say nothing of a direction.
LEAST = np.float32(800**2)
MOST = np.float32(65535)


def bayer(values, pattern, black, scale):
    """Interpolate a Bayer mosaic.

    values: uint16 (h, w), contiguous or not, both at least 4; pattern: int (2, 2), the colours of its cell, 0 red,
    1 green, 2 blue; black and scale: float (2, 2), what is taken off the values at each place of the cell, and what
    they are multiplied by then. Returns uint16 (h, w, 3), cut to its range.
    """
    out = np.empty((*values.shape, 3), np.uint16)
    # the column of each line's red or blue, and its colour
    beside = np.array([[1 - int(np.argmax(line == 1)), line[line != 1][0]] for line in np.asarray(pattern)])
    _bayer(values, beside, np.asarray(black, np.float32), np.asarray(scale, np.float32), out)
    return out


def superpixels(values, pattern, black, scale):
    """Join each 2x2 of a Bayer mosaic to one pixel, its greens averaged; a last odd line or column is left off.

    As `bayer`, but for the result, uint16 (h // 2, w // 2, 3).
    """
    out = np.empty((values.shape[0] // 2, values.shape[1] // 2, 3), np.uint16)
    share = np.asarray(scale, np.float32) / np.bincount(np.ravel(pattern), minlength=3)[np.asarray(pattern)]
    _superpixels(values, np.asarray(pattern), np.asarray(black, np.float32), share.astype(np.float32), out)
    return out


@compiled
def _superpixels(values, pattern, black, share, out):
    width = np.uint64(out.shape[1])
    line = np.empty((3, out.shape[1]), np.float32)
    for y in range(out.shape[0]):
        line[:] = 0
        for j in range(2):
            for i in range(2):
                row, colour = values[2 * y + j, i:], line[pattern[j, i]]
                level, part = black[j, i], share[j, i]
                for x in range(width):
                    colour[x] += part * (np.float32(row[np.uint64(2) * x]) - level)
        for channel in range(3):
            for x in range(width):
                out[y, x, channel] = np.uint16(min(max(line[channel, x], ZERO), MOST) + HALF)


@compiled
def _bayer(values, beside, black, scale, out):
    """Line by line, with the last few lines kept; even and odd columns lie apart, so that neighbours of one colour lie
    side by side for the vector units.
    """
    height, width = values.shape
    half = (width + 1) // 2
    mosaic = np.zeros((8, 2, half + 2 * EDGE), np.float32)
    green = np.zeros((4, 2, half + 2 * EDGE), np.float32)
    line = np.zeros((3, 2, half + 2 * EDGE), np.float32)
    for y in range(-3, height + 3):
        source = _mirrored(y, height)
        _spread(values[source], black[source & 1], scale[source & 1], mosaic[y & 7])
        if y >= 1:
            at = y - 2
            beyond, above, here, below = mosaic[at - 2 & 7], mosaic[at - 1 & 7], mosaic[at & 7], mosaic[at + 1 & 7]
            _greens(beyond, above, here, below, mosaic[at + 2 & 7], beside[at & 1, 0], green[at & 3])
        if y >= 3:
            at = y - 3
            above, here, below = mosaic[at - 1 & 7], mosaic[at & 7], mosaic[at + 1 & 7]
            full, (column, colour) = green[at & 3], beside[at & 1]
            own, other = line[colour], line[2 - colour]
            _colours(above, here, below, green[at - 1 & 3], full, green[at + 1 & 3], column, own, other)
            _together(line[0], full, line[2], out[at])


@compiled
def _mirrored(place, count):
    """A place beyond the edge, mirrored about the outermost one, which keeps its colour."""
    place = abs(place)
    return place if place < count else 2 * (count - 1) - place


@compiled
def _spread(values, black, scale, columns):
    """A line of the mosaic on one scale, its even and its odd columns apart, with mirrored ones at the ends."""
    width, half = len(values), columns.shape[1] - 2 * EDGE
    for k in range(np.uint64(width // 2)):
        columns[0, k + np.uint64(EDGE)] = (np.float32(values[np.uint64(2) * k]) - black[0]) * scale[0]
        columns[1, k + np.uint64(EDGE)] = (np.float32(values[np.uint64(2) * k + np.uint64(1)]) - black[1]) * scale[1]
    for odd in range(2):
        for k in (-2, -1, half - 1, half, half + 1):
            columns[odd, k + EDGE] = (np.float32(values[_mirrored(2 * k + odd, width)]) - black[odd]) * scale[odd]


@compiled
def _greens(above2, above, here, below, below2, column, green):
    """Green of a line: its own, and interpolated where its other colour lies."""
    own, between = here[column], here[1 - column]
    up2, up, down, down2 = above2[column], above[column], below[column], below2[column]
    to, kept = green[column], green[1 - column]
    # the green to the left of a site lies at the same place of its array, or one before
    left = column - 1
    count = len(own)
    for k in range(np.uint64(1), np.uint64(count - 1)):
        before, after = np.uint64(np.int64(k) + left), np.uint64(np.int64(k) + left + 1)
        twice = own[k] + own[k]
        a, b, c, d = between[before], between[after], up[k], down[k]
        bend_x = twice - own[k - np.uint64(1)] - own[k + np.uint64(1)]
        bend_y = twice - up2[k] - down2[k]
        change_x = abs(a - b) + abs(bend_x)
        change_y = abs(c - d) + abs(bend_y)
        across = (a + b) * HALF + bend_x * QUARTER
        along = (c + d) * HALF + bend_y * QUARTER
        across = min(max(across, min(a, b)), max(a, b))
        along = min(max(along, min(c, d)), max(c, d))
        weight_x, weight_y = change_y * change_y + LEAST, change_x * change_x + LEAST
        to[k] = (weight_x * across + weight_y * along) / (weight_x + weight_y)
    for k in range(np.uint64(count)):
        kept[k] = between[k]


@compiled
def _colours(above, here, below, green_above, green, green_below, column, own, other):
    """Red and blue of a line: the one that lies in it (own), and the one that lies in the lines beside it (other)."""
    at, between = here[column], green[1 - column]
    full = green[column]
    left = column - 1
    up, down = above[1 - column], below[1 - column]
    green_up, green_down = green_above[1 - column], green_below[1 - column]
    own_at, own_between, other_at, other_between = own[column], own[1 - column], other[column], other[1 - column]
    count = len(at)
    for k in range(np.uint64(1), np.uint64(count - 1)):
        own_at[k] = at[k]
        other_between[k] = between[k] + HALF * (up[k] - green_up[k] + down[k] - green_down[k])
        # the sites beside a green one: at the same place of their array, and one before or after
        before, after = np.uint64(np.int64(k) - left - 1), np.uint64(np.int64(k) - left)
        own_between[k] = between[k] + HALF * (at[before] - full[before] + at[after] - full[after])
        before, after = np.uint64(np.int64(k) + left), np.uint64(np.int64(k) + left + 1)
        a, b, c, d = up[before], down[after], up[after], down[before]
        green_a, green_b, green_c, green_d = green_up[before], green_down[after], green_up[after], green_down[before]
        twice = full[k] + full[k]
        bend_falling, bend_rising = twice - green_a - green_b, twice - green_c - green_d
        change_falling = abs(a - b) + abs(bend_falling)
        change_rising = abs(c - d) + abs(bend_rising)
        falling = (a + b + bend_falling) * HALF
        rising = (c + d + bend_rising) * HALF
        weight_falling = change_rising * change_rising + LEAST
        weight_rising = change_falling * change_falling + LEAST
        other_at[k] = (weight_falling * falling + weight_rising * rising) / (weight_falling + weight_rising)


@compiled
def _together(red, green, blue, out):
    """A line's pixels from its columns, cut to the range."""
    for odd in range(2):
        reds, greens, blues = red[odd], green[odd], blue[odd]
        for k in range(np.uint64((out.shape[0] + 1 - odd) // 2)):
            x, at = np.uint64(2) * k + np.uint64(odd), k + np.uint64(EDGE)
            out[x, 0] = np.uint16(min(max(reds[at], ZERO), MOST) + HALF)
            out[x, 1] = np.uint16(min(max(greens[at], ZERO), MOST) + HALF)
            out[x, 2] = np.uint16(min(max(blues[at], ZERO), MOST) + HALF)
