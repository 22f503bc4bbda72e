"""A look and the BT.709 signal, applied to a whole frame in one pass.

A look is taken in steps, each a matrix and then a curve a channel, the curves as polygons: they cost a multiplication
and an addition to follow. The corners lie where floating-point numbers have round values: 1024 in each octave of |x|
from 2^-40 to 2^6, for both signs. Dark tones are therefore as finely sampled as bright ones, and the segment that a
number falls in is read from its bits. Beyond the ends the outer segments run on straight. For a power law x^p the
polygon is off by at most p (1 - p) / 8 * 2^-20 of its value (the error of linear interpolation, h^2 / 8 max |f''|), and
at a kink inside a segment by a quarter of the segment (2^-12 of x) times the change of slope.

After the steps may come a cube, a table of colours over the unit cube, followed by tetrahedral interpolation (Kasson,
Nin, Plouffe & Hafner 1995, "Performing color space conversions with three-dimensional linear interpolation"), which
is what OpenColorIO does too and keeps greys on a line of their own.

All that is compiled together lies in this one file: Numba keeps compiled code for as long as the file of the function
that was called is unchanged, and does not look into others.
"""

import numba
import numpy as np
from numba import types
from numba.extending import intrinsic

LOWEST, HIGHEST, CORNER_BITS = -40, 6, 10
_SHIFT = np.int32(23 - CORNER_BITS)
_FIRST = np.int32((LOWEST + 127) << CORNER_BITS)
SEGMENTS = (HIGHEST - LOWEST) << CORNER_BITS


def corners():
    """The corners' places: float32 (2, SEGMENTS + 1), positive and negative ones."""
    bits = (np.arange(SEGMENTS + 1, dtype=np.int32) + _FIRST) << _SHIFT
    places = bits.view(np.float32)
    return np.stack([places, -places])


def polygon(values):
    """The polygon through a curve's values at corners().

    values: (2, SEGMENTS + 1). Returns float32 (2 * SEGMENTS, 2): offset and slope of each segment, the positive ones
    first.
    """
    x, y = corners().astype(np.float64), np.asarray(values, np.float64)
    slopes = np.diff(y) / np.diff(x)
    offsets = y[:, :-1] - slopes * x[:, :-1]
    return np.stack([offsets, slopes], axis=-1).reshape(-1, 2).astype(np.float32)


@numba.njit(cache=True, nogil=True)
def encode(rgb, look, planes):
    """A look, and its BT.709 signal R'G'B' as 10-bit Y'CbCr, narrow range.

    rgb: float32 (h, w, 3), what the look takes; look: the steps and the cube (matrices, polygons, cube) of
    files.tables.tabulated, float32 (n, 3, 4), (n, 3, 2 SEGMENTS, 2) and (m, m, m, 3), m = 0 for none; planes: uint16
    (3, h, w), filled in place with Y', Cb, Cr.
    Source: ITU-R BT.709-6, items 3.2 to 3.5 (E'Y, E'CB, E'CR and their quantisation for n = 10).
    """
    matrices, polygons, cube = look
    colours = cube.reshape(-1)
    for v in range(rgb.shape[0]):
        for u in range(rgb.shape[1]):
            red, green, blue = rgb[v, u, 0], rgb[v, u, 1], rgb[v, u, 2]
            for step in range(len(matrices)):
                rows, curve = matrices[step], polygons[step]
                mixed_red = rows[0, 0] * red + rows[0, 1] * green + rows[0, 2] * blue + rows[0, 3]
                mixed_green = rows[1, 0] * red + rows[1, 1] * green + rows[1, 2] * blue + rows[1, 3]
                mixed_blue = rows[2, 0] * red + rows[2, 1] * green + rows[2, 2] * blue + rows[2, 3]
                red = at(curve[0], mixed_red)
                green = at(curve[1], mixed_green)
                blue = at(curve[2], mixed_blue)
            if len(cube):
                red, green, blue = in_cube(colours, len(cube), red, green, blue)
            luma = np.float32(0.2126) * red + np.float32(0.7152) * green + np.float32(0.0722) * blue
            planes[0, v, u] = np.uint16(np.float32(876) * luma + np.float32(64.5))
            planes[1, v, u] = np.uint16(np.float32(896 / 1.8556) * (blue - luma) + np.float32(512.5))
            planes[2, v, u] = np.uint16(np.float32(896 / 1.5748) * (red - luma) + np.float32(512.5))


@numba.njit
def in_cube(colours, size, red, green, blue):
    """The cube's colour at red, green, blue, each cut to 0..1. colours: float32, the cube of `size` points a side,
    flat, by red, green, blue, and channel.
    """
    last = np.float32(size - 1)
    red = min(max(red, np.float32(0)), np.float32(1)) * last
    green = min(max(green, np.float32(0)), np.float32(1)) * last
    blue = min(max(blue, np.float32(0)), np.float32(1)) * last
    r, g, b = min(int(red), size - 2), min(int(green), size - 2), min(int(blue), size - 2)
    x, y, z = red - np.float32(r), green - np.float32(g), blue - np.float32(b)
    most, least = max(x, y, z), min(x, y, z)
    middle = max(min(x, y), min(max(x, y), z))
    # From the near corner to the far one, first along the axis with the largest fraction, last along that with the
    # smallest; without branches, which a picture's noise would make the processor guess wrongly.
    along_red, along_green, along_blue = 3 * size * size, 3 * size, 3
    begin = along_red if x == most else (along_green if y == most else along_blue)
    end = along_blue if z == least else (along_green if y == least else along_red)
    near = np.uint64(along_red * r + along_green * g + along_blue * b)
    first, far = near + np.uint64(begin), near + np.uint64(along_red + along_green + along_blue)
    second = far - np.uint64(end)
    a, c, d = np.float32(1) - most, most - middle, middle - least
    one, two = np.uint64(1), np.uint64(2)
    return (
        a * colours[near] + c * colours[first] + d * colours[second] + least * colours[far],
        a * colours[near + one] + c * colours[first + one] + d * colours[second + one] + least * colours[far + one],
        a * colours[near + two] + c * colours[first + two] + d * colours[second + two] + least * colours[far + two],
    )


@numba.njit
def at(segments, x):
    """The polygon's value at a float32 x."""
    bits = _bits(x)
    segment = min(max((bits & np.int32(0x7FFFFFFF)) >> _SHIFT, _FIRST) - _FIRST, np.int32(SEGMENTS - 1))
    if bits < 0:
        segment += np.int32(SEGMENTS)
    return segments[segment, 0] + segments[segment, 1] * x


@intrinsic
def _bits(typing_context, x):
    def generate(context, builder, signature, arguments):
        return builder.bitcast(arguments[0], context.get_value_type(types.int32))

    return types.int32(types.float32), generate
