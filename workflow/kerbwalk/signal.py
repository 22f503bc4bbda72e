"""A look and the signal, applied to a whole frame in one pass.

A look is taken in steps of seven kinds. All but the last follow OpenColorIO's own arithmetic (the renderers of its
operators, version 2.6): single precision in its order of operations, and powers, logarithms and exponentials that are
rounded once. A tone curve and a matrix to other primaries can make any rounding before them a thousand times greater,
where bright channels nearly cancel each other out: what is amplified must be the same rounding on both sides. The bound
that holds so is in tests/references/test_look_applied.py.

- MATRIX: a matrix over the channels.
- POWER: slope, offset, a clamp, and a power of what is above 0: ASC CDL 1.2, ranges, gamma.
- SATURATION: of ASC CDL 1.2.
- LOG, UNLOG: a camera's logarithm with a straight part near black (CLF 3.0, Log, camera style), and its inverse.
- HALVES: a curve whose values are known at all half floats, and straight between them.
- CURVE: any other curve, as a polygon. Its corners lie where floating-point numbers have round values: 1024 in each
  octave of |x| from 2^-56 to 2^6, for both signs. Dark tones are therefore as finely sampled as bright ones, and the
  segment that a number falls in is read from its bits. Beyond the ends the outer segments run on straight. A power law
  x^p is off by at most p (1 - p) / 8 * 2^-20 of its value (the error of linear interpolation, h^2 / 8 max |f''|), a
  kink inside a segment by a quarter of the segment (2^-12 of x) times the change of slope.

Logarithms and exponentials are worked out in double precision. log2 is the series of the inverse hyperbolic tangent
after the number's exponent is taken off (z = (m - 1) / (m + 1), |z| < 0.172, seven terms: 2^-39 of the value). 2^x is
a 32nd root of a power of two times the cubic 1 + a r + b r^2 + c r^3, r < 1/64 (after Tang 1989, "Table-driven
implementation of the exponential function in IEEE floating-point arithmetic"), whose relative error is the smallest
there is, 2^-33.2, found by Remez's exchange. C libraries do likewise: where singles are rounded alike, so are errors.

After the steps may come a cube, a table of colours over the unit cube, followed by tetrahedral interpolation (Kasson,
Nin, Plouffe & Hafner 1995, "Performing color space conversions with three-dimensional linear interpolation"), which
is what OpenColorIO does too and keeps greys on a line of their own.

All that is compiled together lies in this one file: Numba keeps compiled code for as long as the file of the function
that was called is unchanged, and does not look into others.
"""

import math

import numba
import numpy as np
from numba import types
from numba.extending import intrinsic

from kerbwalk.colour import LUMA_BT709
from kerbwalk.compiled import compiled

LOWEST, HIGHEST = -56, 6
# Corners in an octave, as a power of two.
FINENESS = 10
MATRIX, POWER, SATURATION, LOG, UNLOG, HALVES, CURVE = range(7)
# Numbers a channel that a step may have.
NUMBERS = 7
# Half floats from 0 to the greatest, 65504.
HALF_FLOATS = 31744
# For `encode`: what is the signal already.
NO_LOOK = (
    np.empty(0, np.int64),
    np.empty((0, 3, NUMBERS), np.float32),
    np.empty((0, 3, 2), np.int64),
    np.empty(0, np.float32),
    np.empty((0, 0, 0, 3), np.float32),
)
# Terms of the series and of the cubic, and the smallest normal single, below which OpenColorIO takes no logarithm.
LN2 = math.log(2)
LOG_TERMS = tuple(2 / LN2 / (2 * k + 1) for k in range(7))
EXP_TERMS = 0.6931471806916202, 0.24022845224457373, 0.05550361559365212
ROOTS = np.exp2(np.arange(32) / 32)
TINY = np.float32(2.0**-126)
# Added to a double, it leaves the nearest number of 32nds in the last bits.
ROUNDER = 1.5 * 2.0**47
# From pixel to pixel and from line to line of the dither: 1 / g and 1 / g^2, where g^3 = g + 1. It goes in whole steps
# and a half, so that black, white and grey are met however their sums are rounded.
ACROSS, DOWN, DITHERS = 0.7548776662466927, 0.5698402909980532, 1024
ZERO, THIRD, ONE = np.float32(0), np.float32(341 / DITHERS), np.float32(1)


def corners():
    """The corners' places: float32 (2, segments + 1), positive and negative ones."""
    ends = ((end + 127) << FINENESS for end in (LOWEST, HIGHEST))
    places = (np.arange(next(ends), next(ends) + 1, dtype=np.int32) << (23 - FINENESS)).view(np.float32)
    return np.stack([places, -places])


def polygon(values):
    """The polygon through a curve's values at corners().

    values: (2, segments + 1); beyond a billion, where exponentials go, as a billion. Returns float32
    (2 * segments, 2): offset and slope of each segment, the positive ones first.
    """
    x, y = corners().astype(np.float64), np.clip(np.asarray(values, np.float64), -1e9, 1e9)
    slopes = np.diff(y) / np.diff(x)
    offsets = y[:, :-1] - slopes * x[:, :-1]
    return np.stack([offsets, slopes], axis=-1).reshape(-1, 2).astype(np.float32)


def halves_table(values):
    """The table of a HALVES step from a curve's values at all half floats, by their bits: float32 (65536,).

    Returns float32 (2 * HALF_FLOATS, 2), positive ones first: the value at the next half float away from 0, and what
    the value at this one is above it; the greatest is its own next.
    """
    sides = np.stack([values[:HALF_FLOATS], values[32768 : 32768 + HALF_FLOATS]])
    following = np.concatenate([sides[:, 1:], sides[:, -1:]], axis=1)
    return np.stack([following, sides - following], axis=-1).reshape(-1, 2).astype(np.float32)


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


@compiled
def encode(rgb, look, planes, code=BT709):
    """A look, and its signal R'G'B' as 10-bit Y'CbCr, narrow range.

    rgb: float32 (h, w, 3), what the look takes; look: of files.tables.tabulated, the steps' kinds, int64 (n,), their
    numbers a channel, float32 (n, 3, NUMBERS), where in the tables those of each channel lie, int64 (n, 3, 2), the
    tables, float32 flat, and the cube, float32 (m, m, m, 3), m = 0 for none; planes: uint16 (3, h, w), filled in place
    with Y', Cb, Cr; code: coding(). The signal is cut to 0..1.
    A code is the one above or below, by an even sequence over the plane that is the same in every frame (Roberts 2018,
    "The unreasonable effectiveness of quasirandom sequences", from memory), so that no slow gradient gets steps. Of
    high dynamic range it is the nearer one: what is made of that loses dither, and dark patches their colour with it.
    Source: ITU-R BT.709-6, item 3.5, and BT.2100-2, table 9 (quantisation for n = 10).
    """
    kinds, numbers, places, tables, cube = look
    weights, lightening, curve = code
    to_red, to_green, to_blue, blueness, redness = weights
    lightening, curve = lightening.reshape(-1), curve.reshape(-1)
    width = np.uint64(rgb.shape[1])
    # A line at a time, each part of the work for all its pixels: so the compiler can use the vector units.
    red, green, blue = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    luminance, nodes, parts = (
        np.empty(width, np.float32),
        np.empty((3, width), np.int32),
        np.empty((4, width), np.float32),
    )
    along, even, third = np.empty(width, np.float32), len(curve) > 0, ZERO if len(curve) else THIRD
    for u in range(width):
        along[u] = 0.5 if even else (math.floor(DITHERS * ACROSS * u) % DITHERS + 0.5) / DITHERS
    for v in range(rgb.shape[0]):
        _stepped(rgb[v], kinds, numbers, places, tables, red, green, blue)
        if len(cube):
            in_cube(cube, red, green, blue, nodes, parts)
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
        down = ZERO if even else np.float32(math.floor(DITHERS * DOWN * v) % DITHERS / DITHERS)
        for u in range(width):
            luma = to_red * red[u] + to_green * green[u] + to_blue * blue[u]
            dither = along[u] + down
            dither -= ONE if dither >= ONE else ZERO
            planes[0, v, u] = np.uint16(np.float32(876) * luma + np.float32(64) + dither)
            dither += third - (ONE if dither >= ONE - third else ZERO)
            planes[1, v, u] = np.uint16(blueness * (blue[u] - luma) + np.float32(512) + dither)
            dither += third - (ONE if dither >= ONE - third else ZERO)
            planes[2, v, u] = np.uint16(redness * (red[u] - luma) + np.float32(512) + dither)


def halves(rgb, look, planes):
    """A look's light as half floats, their bits as whole numbers, which a lossless encoder takes.

    rgb, look: as for encode(), without a cube; planes: uint16 (3, h, w), filled in place with green, blue, red, the
    order of FFmpeg's planes.
    """
    light = np.empty_like(rgb)
    _through(rgb, *look[:4], light)
    planes[:] = np.moveaxis(light[..., [1, 2, 0]], -1, 0).astype(np.float16).view(np.uint16)


@compiled
def _through(rgb, kinds, numbers, places, tables, light):
    width = np.uint64(rgb.shape[1])
    red, green, blue = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    for v in range(rgb.shape[0]):
        _stepped(rgb[v], kinds, numbers, places, tables, red, green, blue)
        for u in range(width):
            light[v, u, 0], light[v, u, 1], light[v, u, 2] = red[u], green[u], blue[u]


@numba.njit
def _stepped(pixels, kinds, numbers, places, tables, red, green, blue):
    """A line's pixels (w, 3) through a look's steps, into its colours."""
    for u in range(np.uint64(len(red))):
        red[u], green[u], blue[u] = pixels[u, 0], pixels[u, 1], pixels[u, 2]
    for step in range(len(kinds)):
        apply(kinds[step], numbers[step], places[step], tables, red, green, blue)


@compiled
def apply(kind, numbers, places, tables, red, green, blue):
    """One step of a look on a line's colours, in place."""
    if kind == MATRIX:
        mix(numbers, red, green, blue)
    elif kind == SATURATION:
        _saturate(numbers[0], red, green, blue)
    else:
        for channel, line in enumerate((red, green, blue)):
            table = tables[places[channel, 0] : places[channel, 1]]
            if kind == POWER:
                _raise(numbers[channel], line)
            elif kind == LOG:
                _log(numbers[channel], line)
            elif kind == UNLOG:
                _unlog(numbers[channel], line)
            elif kind == HALVES:
                _between_halves(table, line)
            else:
                follow(table, line)


@compiled
def mix(rows, red, green, blue):
    """A line's colours through a matrix, the first (3, 4) of rows, in place."""
    a, b, c, d = rows[0, 0], rows[0, 1], rows[0, 2], rows[0, 3]
    e, f, g, h = rows[1, 0], rows[1, 1], rows[1, 2], rows[1, 3]
    i, j, k, m = rows[2, 0], rows[2, 1], rows[2, 2], rows[2, 3]
    for u in range(np.uint64(len(red))):
        x, y, z = red[u], green[u], blue[u]
        red[u] = a * x + b * y + c * z + d
        green[u] = e * x + f * y + g * z + h
        blue[u] = i * x + j * y + k * z + m


@compiled
def cut(line):
    """A line's values cut to 0..1, in place."""
    for u in range(np.uint64(len(line))):
        line[u] = min(max(line[u], np.float32(0)), np.float32(1))


@numba.njit
def _saturate(numbers, red, green, blue):
    to_red, to_green, to_blue, saturation = numbers[0], numbers[1], numbers[2], numbers[3]
    for u in range(np.uint64(len(red))):
        luma = to_red * red[u] + to_green * green[u] + to_blue * blue[u]
        red[u] = luma + saturation * (red[u] - luma)
        green[u] = luma + saturation * (green[u] - luma)
        blue[u] = luma + saturation * (blue[u] - luma)


@numba.njit
def _raise(numbers, line):
    slope, offset, least, most, power = numbers[0], numbers[1], numbers[2], numbers[3], np.float64(numbers[4])
    for u in range(np.uint64(len(line))):
        line[u] = min(max(line[u] * slope + offset, least), most)
    if power != 1:
        for u in range(np.uint64(len(line))):
            x = line[u]
            raised = np.float32(_exp2(power * _log2(max(x, TINY))))
            line[u] = raised if x > 0 else x


@numba.njit
def _log(numbers, line):
    edge, steep, start = numbers[0], numbers[1], numbers[2]
    slope, offset, log_slope, log_offset = numbers[3], numbers[4], numbers[5], numbers[6]
    for u in range(np.uint64(len(line))):
        x = line[u]
        bent = np.float32(_log2(max(x * slope + offset, TINY))) * log_slope + log_offset
        line[u] = steep * x + start if x < edge else bent


@numba.njit
def _unlog(numbers, line):
    edge, flat, start = numbers[0], numbers[1], numbers[2]
    log_offset, log_slope, offset, slope = numbers[3], numbers[4], numbers[5], numbers[6]
    for u in range(np.uint64(len(line))):
        x = line[u]
        bent = (np.float32(_exp2(np.float64((x + log_offset) * log_slope))) + offset) * slope
        line[u] = flat * (x + start) if x < edge else bent


@numba.njit(error_model="numpy")
def _log2(x):
    """In double precision, of a normal single above 0."""
    bits = _bits(x)
    # The mantissa is taken from the root of 1/2 to that of 2.
    exponent = (bits - np.int32(0x3F3504F3)) >> np.int32(23)
    mantissa = np.float64(_single(bits - (exponent << np.int32(23))))
    z = (mantissa - 1.0) / (mantissa + 1.0)
    w = z * z
    low = LOG_TERMS[1] + w * (LOG_TERMS[2] + w * LOG_TERMS[3])
    high = LOG_TERMS[4] + w * (LOG_TERMS[5] + w * LOG_TERMS[6])
    return np.float64(exponent) + z * (LOG_TERMS[0] + w * (low + w * w * w * high))


@numba.njit
def _exp2(x):
    """In double precision, of a double; beyond what a single can hold, what rounds to 0 or infinity."""
    x = min(max(x, -160.0), 160.0)
    rounded = x + ROUNDER
    r = x - (rounded - ROUNDER)
    bits = _long_bits(rounded)
    near = 1.0 + EXP_TERMS[0] * r + (EXP_TERMS[1] + EXP_TERMS[2] * r) * (r * r)
    return near * _double(_long_bits(ROOTS[bits & np.int64(31)]) + ((bits >> np.int64(5)) << np.int64(52)))


@numba.njit
def _between_halves(table, line):
    """A line's values along a curve between half floats (halves_table, flat), in place."""
    side, magnitude, last = np.int32(HALF_FLOATS), np.int32(0x7FFFFFFF), np.int32(HALF_FLOATS - 1)
    for u in range(np.uint64(len(line))):
        bits = _bits(line[u])
        size = bits & magnitude
        # Below 2^-14 half floats are evenly spaced.
        small = min(_single(size), np.float32(2.0**-14)) * np.float32(2.0**24)
        low = np.int32(small)
        even = size < np.int32(0x38800000)
        half = low if even else min((size >> np.int32(13)) - np.int32(112 << 10), last)
        part = small - np.float32(low) if even else np.float32(size & np.int32(0x1FFF)) * np.float32(2.0**-13)
        at = np.uint64(2) * np.uint64(half + ((bits >> np.int32(31)) & side))
        line[u] = table[at + np.uint64(1)] * (np.float32(1) - part) + table[at]


@compiled
def follow(segments, line):
    """A line's values along a polygon, flat, in place."""
    sides, magnitude, none = np.int32(len(segments) // 4), np.int32(0x7FFFFFFF), np.int32(0)
    last, shift, first = sides - np.int32(1), np.int32(23 - FINENESS), np.int32((LOWEST + 127) << FINENESS)
    for u in range(np.uint64(len(line))):
        x = line[u]
        bits = _bits(x)
        segment = min(max(((bits & magnitude) >> shift) - first, none), last) + ((bits >> np.int32(31)) & sides)
        at = np.uint64(2) * np.uint64(segment)
        line[u] = segments[at] + segments[at + np.uint64(1)] * x


@compiled
def in_cube(cube, red, green, blue, nodes, parts):
    """A line's colours through a cube, in place, each cut to 0..1.

    cube: float32 (m, m, m, 3), by red, green, blue; nodes: int32 (3, w) and parts: float32 (4, w), which are written
    over: where in the cube, flat, the first three corners of each pixel's tetrahedron lie, and how much each of the
    four counts.
    """
    # In two passes: the first is arithmetic alone, which the vector units do, and has no branches, which a picture's
    # noise would make the processor guess wrongly; the second only gathers.
    size, one, two = np.int32(len(cube)), np.uint64(1), np.uint64(2)
    along_red, along_green, along_blue = np.int32(3 * size * size), np.int32(3 * size), np.int32(3)
    across, last, most_at = along_red + along_green + along_blue, np.float32(size - 1), np.int32(size - 2)
    near, first, second = nodes[0], nodes[1], nodes[2]
    nearest, nearer, farther, farthest = parts[0], parts[1], parts[2], parts[3]
    for u in range(np.uint64(len(red))):
        x = min(max(red[u], np.float32(0)), np.float32(1)) * last
        y = min(max(green[u], np.float32(0)), np.float32(1)) * last
        z = min(max(blue[u], np.float32(0)), np.float32(1)) * last
        r, g, b = min(np.int32(x), most_at), min(np.int32(y), most_at), min(np.int32(z), most_at)
        x, y, z = x - np.float32(r), y - np.float32(g), z - np.float32(b)
        most, least = max(x, y, z), min(x, y, z)
        middle = max(min(x, y), min(max(x, y), z))
        # From the near corner to the far one, first along the axis with the largest fraction, last along that with the
        # smallest.
        begin = along_red if x == most else (along_green if y == most else along_blue)
        end = along_blue if z == least else (along_green if y == least else along_red)
        near[u] = along_red * r + along_green * g + along_blue * b
        first[u], second[u] = near[u] + begin, near[u] + across - end
        nearest[u], nearer[u], farther[u], farthest[u] = np.float32(1) - most, most - middle, middle - least, least
    colours = cube.reshape(-1)
    for u in range(np.uint64(len(red))):
        i, j, k = np.uint64(near[u]), np.uint64(first[u]), np.uint64(second[u])
        m = i + np.uint64(across)
        a, b, c, d = nearest[u], nearer[u], farther[u], farthest[u]
        red[u] = a * colours[i] + b * colours[j] + c * colours[k] + d * colours[m]
        green[u] = a * colours[i + one] + b * colours[j + one] + c * colours[k + one] + d * colours[m + one]
        blue[u] = a * colours[i + two] + b * colours[j + two] + c * colours[k + two] + d * colours[m + two]


def _as(kind, source):
    """A function that reads the bits of a number as another kind of number."""

    @intrinsic
    def read(typing_context, x):
        def generate(context, builder, signature, arguments):
            return builder.bitcast(arguments[0], context.get_value_type(kind))

        return kind(source), generate

    return read


_bits, _single = _as(types.int32, types.float32), _as(types.float32, types.int32)
_long_bits, _double = _as(types.int64, types.float64), _as(types.float64, types.int64)
