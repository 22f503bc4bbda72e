"""A look and the signal, applied to a whole frame in one pass.

A look is taken in steps, each a matrix and then a curve a channel, the curves as polygons: they cost a multiplication
and an addition to follow. The corners lie where floating-point numbers have round values: 1024 in each octave of |x|
from 2^-40 to 2^6, for both signs. Dark tones are therefore as finely sampled as bright ones, and the segment that a
number falls in is read from its bits. Beyond the ends the outer segments run on straight. For a power law x^p the
polygon is off by at most p (1 - p) / 8 * 2^-20 of its value (the error of linear interpolation, h^2 / 8 max |f''|). At
a kink inside a segment it would be off by a quarter of the segment (2^-12 of x) times the change of slope: so steps
are cut where kinks fall on corners (files.tables), and a look as a whole stays within 1/65535 of OpenColorIO's signal,
a 64th of the master's code. The exponential at the end of a CDL's log encoding, 2^(17.5 x), would be off by 4e-6 of
its value for x about 1: it has 4096 corners an octave, which leaves 3e-7. Such a look is as near to exact arithmetic as
OpenColorIO, whose own single precision is off by more than 1/65535 at one value in 30,000, where bright
channels nearly cancel each other out (tests/references/test_look_applied.py).

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

from kerbwalk.colour import LUMA_BT709

LOWEST, HIGHEST = -40, 6
# Corners in an octave, as powers of two.
USUAL, FINE = 10, 12
# For `encode`: what is the signal already.
NO_LOOK = (
    np.empty((0, 3, 4), np.float32),
    np.empty(0, np.float32),
    np.empty((0, 3, 2), np.int64),
    np.empty((0, 0, 0, 3), np.float32),
)


def corners(bits=USUAL):
    """The corners' places: float32 (2, segments + 1), positive and negative ones. bits: USUAL or FINE."""
    ends = ((end + 127) << bits for end in (LOWEST, HIGHEST))
    places = (np.arange(next(ends), next(ends) + 1, dtype=np.int32) << (23 - bits)).view(np.float32)
    return np.stack([places, -places])


def polygon(values):
    """The polygon through a curve's values at corners().

    values: (2, segments + 1); beyond a billion, where exponentials go, as a billion. Returns float32
    (2 * segments, 2): offset and slope of each segment, the positive ones first.
    """
    bits = _bits_of(np.shape(values)[1] - 1)
    x, y = corners(bits).astype(np.float64), np.clip(np.asarray(values, np.float64), -1e9, 1e9)
    slopes = np.diff(y) / np.diff(x)
    offsets = y[:, :-1] - slopes * x[:, :-1]
    return np.stack([offsets, slopes], axis=-1).reshape(-1, 2).astype(np.float32)


def coding(luma, lightening=None, curve=None):
    """How encode() makes Y'CbCr of what a look gives.

    luma: (3,) weights of R', G', B'; lightening: what light is multiplied by for its luminance, curve: what then makes
    a signal of it, both polygons or None, where a look gives no signal yet.
    Source: ITU-R BT.709-6, items 3.2 to 3.4, and BT.2100-2, table 6 (E'Y, E'CB, E'CR).
    """
    none = np.empty((0, 2), np.float32)
    parts = [none if part is None else part for part in (lightening, curve)]
    chroma = [896 / (2 * (1 - luma[2])), 896 / (2 * (1 - luma[0]))]
    return np.array([*luma, *chroma], np.float32), *parts


# The usual looks give BT.709's signal.
BT709 = coding(LUMA_BT709)


@numba.njit(cache=True, nogil=True)
def encode(rgb, look, planes, code=BT709):
    """A look, and its signal R'G'B' as 10-bit Y'CbCr, narrow range.

    rgb: float32 (h, w, 3), what the look takes; look: the steps and the cube (matrices, polygons, their places, cube)
    of files.tables.tabulated, float32 (n, 3, 4), float32 flat, int64 (n, 3, 2), and float32 (m, m, m, 3), m = 0 for
    none; planes: uint16 (3, h, w), filled in place with Y', Cb, Cr; code: coding(). The signal is cut to 0..1.
    Source: ITU-R BT.709-6, item 3.5, and BT.2100-2, table 9 (quantisation for n = 10).
    """
    matrices, polygons, places, cube = look
    weights, lightening, curve = code
    to_red, to_green, to_blue, blueness, redness = weights
    lightening, curve = lightening.reshape(-1), curve.reshape(-1)
    colours, width = cube.reshape(-1), np.uint64(rgb.shape[1])
    # A line at a time, each part of the work for all its pixels: so the compiler can use the vector units.
    red, green, blue = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    luminance = np.empty(width, np.float32)
    for v in range(rgb.shape[0]):
        _stepped(rgb[v], matrices, polygons, places, red, green, blue)
        if len(cube):
            for u in range(width):
                red[u], green[u], blue[u] = in_cube(colours, len(cube), red[u], green[u], blue[u])
        if len(lightening):
            for u in range(width):
                luminance[u] = to_red * red[u] + to_green * green[u] + to_blue * blue[u]
            follow(lightening, luminance)
            for u in range(width):
                red[u], green[u], blue[u] = luminance[u] * red[u], luminance[u] * green[u], luminance[u] * blue[u]
        if len(curve):
            follow(curve, red)
            follow(curve, green)
            follow(curve, blue)
        cut(red)
        cut(green)
        cut(blue)
        for u in range(width):
            luma = to_red * red[u] + to_green * green[u] + to_blue * blue[u]
            planes[0, v, u] = np.uint16(np.float32(876) * luma + np.float32(64.5))
            planes[1, v, u] = np.uint16(blueness * (blue[u] - luma) + np.float32(512.5))
            planes[2, v, u] = np.uint16(redness * (red[u] - luma) + np.float32(512.5))


def halves(rgb, look, planes):
    """A look's light as half floats, their bits as whole numbers, which a lossless encoder takes.

    rgb, look: as for encode(), without a cube; planes: uint16 (3, h, w), filled in place with green, blue, red, the
    order of FFmpeg's planes.
    """
    light = np.empty_like(rgb)
    _through(rgb, look[0], look[1], look[2], light)
    planes[:] = np.moveaxis(light[..., [1, 2, 0]], -1, 0).astype(np.float16).view(np.uint16)


@numba.njit(cache=True, nogil=True)
def _through(rgb, matrices, polygons, places, light):
    width = np.uint64(rgb.shape[1])
    red, green, blue = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    for v in range(rgb.shape[0]):
        _stepped(rgb[v], matrices, polygons, places, red, green, blue)
        for u in range(width):
            light[v, u, 0], light[v, u, 1], light[v, u, 2] = red[u], green[u], blue[u]


@numba.njit
def _stepped(pixels, matrices, polygons, places, red, green, blue):
    """A line's pixels (w, 3) through a look's steps, into its colours."""
    for u in range(np.uint64(len(red))):
        red[u], green[u], blue[u] = pixels[u, 0], pixels[u, 1], pixels[u, 2]
    for step in range(len(matrices)):
        mix(matrices[step], red, green, blue)
        for channel, line in enumerate((red, green, blue)):
            start, end = places[step, channel]
            follow(polygons[start:end], line)


@numba.njit(cache=True, nogil=True)
def mix(rows, red, green, blue):
    """A line's colours through a matrix (3, 4), in place."""
    a, b, c, d = rows[0, 0], rows[0, 1], rows[0, 2], rows[0, 3]
    e, f, g, h = rows[1, 0], rows[1, 1], rows[1, 2], rows[1, 3]
    i, j, k, m = rows[2, 0], rows[2, 1], rows[2, 2], rows[2, 3]
    for u in range(np.uint64(len(red))):
        x, y, z = red[u], green[u], blue[u]
        red[u] = a * x + b * y + c * z + d
        green[u] = e * x + f * y + g * z + h
        blue[u] = i * x + j * y + k * z + m


@numba.njit(cache=True, nogil=True)
def cut(line):
    """A line's values cut to 0..1, in place."""
    for u in range(np.uint64(len(line))):
        line[u] = min(max(line[u], np.float32(0)), np.float32(1))


@numba.njit
def _bits_of(count):
    """Corners in an octave, as a power of two, of a polygon of `count` segments a side."""
    bits = USUAL
    while (HIGHEST - LOWEST) << bits < count:
        bits += 1
    return bits


@numba.njit(cache=True, nogil=True)
def follow(segments, line):
    """A line's values along a polygon, flat, in place."""
    sides, magnitude, none = np.int32(len(segments) // 4), np.int32(0x7FFFFFFF), np.int32(0)
    fine, last = _bits_of(sides), sides - np.int32(1)
    shift, first = np.int32(23 - fine), np.int32((LOWEST + 127) << fine)
    for u in range(np.uint64(len(line))):
        x = line[u]
        bits = _bits(x)
        segment = min(max(((bits & magnitude) >> shift) - first, none), last) + ((bits >> np.int32(31)) & sides)
        at = np.uint64(2) * np.uint64(segment)
        line[u] = segments[at] + segments[at + np.uint64(1)] * x


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


@intrinsic
def _bits(typing_context, x):
    def generate(context, builder, signature, arguments):
        return builder.bitcast(arguments[0], context.get_value_type(types.int32))

    return types.int32(types.float32), generate
