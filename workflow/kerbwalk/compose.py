"""One frame of the clip: a single interpolation from the decoded frame to the output, and its gain."""

import math

import cv2
import numpy as np

from kerbwalk import lens
from kerbwalk.compiled import compiled
from kerbwalk.homography import transfer
from kerbwalk.pixels import enlarged, enlarging

LOBES = 2
# Where nothing shrinks: the slope of the cubic kernel beside its middle lobe.
SLOPE = -0.75
# From this shrinking on the kernel is the sum of these parts of cosines of 1/8, 3/8, 5/8, ... cycles an output pixel.
SHARPER, COSINES = 1.2, (0.4884, 0.4192, 0.0828, -0.0066, 0.0163)
PHASES = 256
WHITE = 65535
# From this part of white on a gain bends towards the sensor's white.
KNEE = np.float32(0.85)
# The tint of a photo without one.
PLAIN = (1.0, 1.0, 1.0)
# So many columns of the frame are worked on at a time, which keeps their weights at hand.
COLUMNS = 64
# Output pixels from one place to the next at which it is reckoned what the lens does, bilinear in between: for 3 % of
# distortion the error stays below a hundredth of a pixel.
GLASS = 16
# Numbers in single precision: beside a plain 1 the compiler would go over to double.
ZERO, ONE, PART_OF_WHITE = np.float32(0), np.float32(1), np.float32(1 / WHITE)


def output_to_frame(crop, output, matrix, scale):
    """The 3x3 homography from output pixels to pixels of the decoded frame.

    crop: (left, top, width, height) in the steadied plane, edges; output: (width, height); matrix: 3x3, plane to photo
    pixels; scale: photo pixels a frame pixel (kerbwalk.pixels).
    """
    left, top, width, height = crop
    step_x, step_y = width / output[0], height / output[1]
    to_plane = np.array([[step_x, 0, left + step_x / 2], [0, step_y, top + step_y / 2], [0, 0, 1]])
    return np.linalg.inv(enlarging(scale)) @ np.asarray(matrix) @ to_plane


def output_to_grid(crop, output, size, shape):
    """Where output pixels lie on a grid of local shifts: (ax, bx, ay, by), node = a * pixel + b.

    size: (width, height) of the plane, whose corner pixels are the outer nodes; shape: (gh, gw).
    """
    left, top, width, height = crop
    step_x, step_y = width / output[0], height / output[1]
    across, down = (shape[1] - 1) / (size[0] - 1), (shape[0] - 1) / (size[1] - 1)
    return step_x * across, (left + step_x / 2) * across, step_y * down, (top + step_y / 2) * down


def through(glass, matrix, bend, output, scale):
    """What the lens does at every GLASSth output pixel, for warp().

    glass: kerbwalk.lens; matrix, bend: as for warp(); output: (width, height); scale: photo pixels a frame pixel.
    Returns None for a lens that changes nothing, or float64 (rows, columns, 3 or 7): the shift from straight to the
    frame's green, (x, y) in frame pixels; the gain that undoes the vignetting; and the shifts from green to red, and
    to blue, where they differ.
    """
    if not lens.changes(glass):
        return None
    u, v = (np.arange(-(-(n - 1) // GLASS) + 1) * float(GLASS) for n in output)
    places = np.stack(np.meshgrid(u, v), axis=-1)
    shape, places = places.shape[:2], places.reshape(-1, 2)
    straight = transfer(matrix, places)
    if bend is not None:
        grid, (step_x, start_x, step_y, start_y) = bend
        at = np.float32(places * (step_x, step_y) + (start_x, start_y))[None]
        straight += cv2.remap(np.float32(grid), at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    straight = enlarged(straight, scale)
    green = lens.to_photo(glass, straight)
    parts = [(green - straight) / scale, 1 / lens.light(glass, green)[:, None]]
    if glass["lateral"]:
        parts += [(lens.to_photo(glass, straight, colour) - green) / scale for colour in ("red", "blue")]
    return np.hstack(parts).reshape(*shape, -1)


def shrink(crop, output, scale):
    """Frame pixels an output pixel, at least 1: how wide the interpolation's kernel has to be."""
    return max(1.0, crop[2] / output[0] / scale)


def kernel_table(shrink_by):
    """Weights of the interpolation's kernel, widened where the picture shrinks so that nothing aliases.

    Returns float32 (257, taps): a row for each 256th of a pixel, each summing to 1. With as few taps as reach, the
    first one lies at floor(x - (taps - 2) / 2) for a place x, and the row is that of the fraction cut off.
    Where nothing shrinks it is a cubic convolution (Keys 1981), which goes through the frame's own values, with a
    slope of -3/4: of a lens as sharp as the pixels it keeps 0.90 of the ideal MTF50, where -1/2 and Lanczos-2 keep
    0.87. Where the picture shrinks by SHARPER and more there are none to go through, and it is the sum of cosines over
    the same taps that comes nearest to passing what the output can hold and nothing else (a least-squares design as of
    filters, from memory): at 0.45 cycles an output pixel it passes 0.69 instead of Lanczos-2's 0.61, and from 0.65 on
    it lets no more alias.
    """
    taps = math.ceil(2 * LOBES * shrink_by)
    offset = np.arange(taps) - (taps - 2) / 2 - np.arange(PHASES + 1)[:, None] / PHASES
    t = offset / shrink_by
    sharper = sum(part * np.cos((2 * k + 1) * np.pi / 2 * t / LOBES) for k, part in enumerate(COSINES))
    share = min(1.0, (shrink_by - 1) / (SHARPER - 1))
    weights = share * sharper * (np.abs(t) < LOBES) + (1 - share) * cubic(np.abs(t))
    return (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)


def cubic(t):
    """Keys's kernel at distances t, an array of at least 0 (0 from 2 on)."""
    inner, outer = (SLOPE + 2) * t**3 - (SLOPE + 3) * t**2 + 1, SLOPE * (t**3 - 5 * t**2 + 8 * t - 4)
    return np.where(t < 1, inner, np.where(t < 2, outer, 0))


def warp(frame, matrix, table, factor, out, gain=1.0, tint=PLAIN, bend=None, glass=None):
    """Add factor times the frame, seen through a homography, local shifts and the lens, and with a gain, to out.

    frame: uint16 (h, w, 3), scene-linear, contiguous; matrix: float64 3x3, out pixel to frame pixel; table:
    kernel_table(); factor: float; out: float32 (H, W, 3), changed in place; gain, tint: as for `held`; bend: None, or
    (grid, place): shifts in frame pixels to be added to where the matrix leads, (gh, gw, 2), bilinear between nodes
    and beyond the outer ones as at them, and output_to_grid(); glass: None, or through(). The
    frame must reach half the taps beyond every pixel asked for: nothing is made up at its edges (a place outside raises
    IndexError, and so does a matrix that turns the picture over).
    The kernel's negative lobes would leave dark rings around lamps, which in linear light are hundreds of times
    brighter than the sky beside them: each value is kept within the range of the pixels that it stands for, the four
    around its place, or more where the picture shrinks.
    """
    counted = (0,) * table.shape[1]
    grid, place = bend or (np.empty((0, 0, 2)), (0.0, 0.0, 0.0, 0.0))
    glass = np.empty((0, 0, 0)) if glass is None else glass
    samples, matrix, gains = frame.reshape(-1), np.asarray(matrix, np.float64), np.float32([gain, *tint])
    if not _warp(samples, frame.shape[:2], matrix, grid, place, glass, table, counted, np.float32(factor), gains, out):
        raise IndexError("the crop reaches outside a frame")


@compiled
def held(level, gain):
    """What a pixel is multiplied by where a photo gets a gain, and how much of its tint it gets.

    level: float32, the pixel's greatest channel, as a part of the sensor's white; gain: float32, above 0.
    White stays white in every photo: a gain below 1 would turn lamps that the sensor clipped grey, and flicker on them,
    and one above 1 would clip what the sensor held. So from a knee on the gain bends, along the hyperbola of the look's
    shoulder, to 1 at white; all channels get the same, so that colours stay. The tint fades there.
    """
    knee = KNEE / max(gain, ONE)
    if level <= knee:
        return gain, ONE
    # few pixels come here: in double precision, as the bend is steep at one end and flat at the other
    edge, u = float(gain * knee), (float(level) - knee) / (1 - float(knee))
    slope = gain * (1 - float(knee)) / (1 - edge)
    return np.float32((edge + (1 - edge) * slope * u / (1 + (slope - 1) * u)) / level), np.float32(1 - u)


def without_vignetting(rgb, glass, scale, white):
    """Take the lens's vignetting out of a whole frame, in place, as warp() does.

    rgb: float32 (h, w, 3), 1 at `white` of the frame's levels; glass: kerbwalk.lens; scale: photo pixels a pixel.
    """
    if glass["vignetting"]:
        places = enlarged(np.stack(np.meshgrid(*(np.arange(n) for n in rgb.shape[1::-1])), axis=-1), scale)
        _lift(rgb, (1 / lens.light(glass, places)).astype(np.float32), np.float32(white / WHITE))


@compiled
def _lift(rgb, gains, part_of_white):
    for v in range(rgb.shape[0]):
        for u in range(rgb.shape[1]):
            pixel = rgb[v, u]
            pixel *= held(max(pixel[0], pixel[1], pixel[2]) * part_of_white, gains[v, u])[0]


def evening(place, pattern, size, hold, scale, crop, output, stops):
    """The part of the output where a place that flickers is evened, and what it is multiplied by there.

    place: (x, y, width, height), its box in fractions of the reference photo, whose size is (2,) pixels; pattern:
    (rows, columns) over the box, how much of the stops (float) each part gets; hold: (2,) pixels, the hold point;
    scale: of the photo's surroundings of it against the reference's; crop, output: as for output_to_frame.
    Returns (slices, float32 (h, w, 1)).
    """
    size, hold, pattern = np.asarray(size), np.asarray(hold), np.pad(np.float32(pattern), 1)
    step = np.array([crop[2] / output[0], crop[3] / output[1]])
    # One of the pattern's pixels, and the middle of its first, in output pixels.
    each = scale * np.array(place[2:]) * size / (np.array(pattern.shape[::-1]) - 2) / step
    middle = hold + scale * (place[:2] * size - 0.5 - hold)
    first = (middle + 0.5 - crop[:2]) / step - 0.5 - each * (np.array(pattern.shape[::-1]) - 1) / 2
    low = np.clip(np.ceil(first), 0, output).astype(int)
    high = np.clip(np.floor(first + each * (np.array(pattern.shape[::-1]) - 1)) + 1, low, output).astype(int)
    x, y = (((np.arange(low[k], high[k]) - first[k]) / each[k]).astype(np.float32) for k in (0, 1))
    part = cv2.remap(pattern, *np.meshgrid(x, y), cv2.INTER_LINEAR) if len(x) and len(y) else np.empty((len(y), len(x)))
    return np.s_[low[1] : high[1], low[0] : high[0]], np.float32(2 ** (stops * part))[..., None]


@compiled
def _shifts(grid, place, v, shifts):
    """What a grid (gh, gw, n) has for an output line's pixels, into shifts (W, n): a cell at a time, along which it is
    straight. Pixels are counted in 32 bits, which the vector units can turn into doubles.
    """
    down, across, width = grid.shape[0], grid.shape[1], len(shifts)
    y = min(max(place[2] * v + place[3], 0.0), down - 1.0)
    j = min(int(y), down - 2)
    y -= j
    done = 0
    for i in range(across - 1):
        until = width
        if i < across - 2:
            until = min(max(math.ceil((i + 1 - place[1]) / place[0]), done), width)
        for k in range(shifts.shape[1]):
            before = grid[j, i, k] * (1 - y) + grid[j + 1, i, k] * y
            after = grid[j, i + 1, k] * (1 - y) + grid[j + 1, i + 1, k] * y
            for u in range(done, until):
                x = min(max(place[0] * np.float64(np.int32(u)) + place[1], 0.0), across - 1.0)
                shifts[u, k] = before + (after - before) * (x - i)
        done = until


@compiled
def _places(matrix, grid, place, v, shifts, xs, ys):
    """Where the pixels of output line v lie in the frame, into xs and ys (W,)."""
    if len(grid):
        _shifts(grid, place, v, shifts)
    to_x, to_y, to_w = matrix[0, 0], matrix[1, 0], matrix[2, 0]
    down_x, down_y, down_w = matrix[0, 1] * v, matrix[1, 1] * v, matrix[2, 1] * v
    x, y, w = matrix[0, 2], matrix[1, 2], matrix[2, 2]
    for k in range(np.uint64(len(xs))):
        u = np.float64(np.int32(k))
        part = 1.0 / (to_w * u + down_w + w)
        xs[k] = (to_x * u + down_x + x) * part + shifts[k, 0]
        ys[k] = (to_y * u + down_y + y) * part + shifts[k, 1]


@compiled
def _rising(line):
    rising = True
    for u in range(len(line) - 1):
        rising &= line[u] < line[u + 1]
    return rising


@compiled
def _follow(xs, ys, start, left, right, tops, phases):
    """Where an output line crosses the frame's columns from left to right: the first line that counts there, and
    between which lines, as a row of the kernel's table.
    """
    done, last = left, len(xs) - 2
    for u in range(last + 1):
        slope = (ys[u + 1] - ys[u]) / (xs[u + 1] - xs[u])
        until = right if u == last else min(math.ceil(xs[u + 1]), right)
        for x in range(done, until):
            y = ys[u] - start + slope * (min(max(x, xs[0]), xs[-1]) - xs[u])
            top = math.floor(y)
            tops[x - left] = top
            phases[x - left] = np.int32((y - top) * PHASES + 0.5)
        done = max(done, until)


@compiled
def _down(samples, size, left, right, tops, phases, table, counted, weights, line, low, high):
    """Interpolate a line from the frame's lines: the values at its columns, and the range of what they stand for.

    False where that needs lines that the frame does not have.
    """
    taps = len(counted)
    first, inner = np.uint64(taps // 4), taps - 2 * (taps // 4)
    stride, one, two, three = np.uint64(3 * size[1]), np.uint64(1), np.uint64(2), np.uint64(3)
    begin, count = np.uint64(0), np.uint64(right - left)
    while begin < count:
        top = tops[begin]
        if top < 0 or top + taps > size[0]:
            return False
        columns = np.uint64(0)
        while columns < np.uint64(COLUMNS) and begin + columns < count and tops[begin + columns] == top:
            phase, k = np.uint64(phases[begin + columns]), three * columns
            for j in range(taps):
                weight = table[phase, j]
                # Four at once, of which the next column takes the last.
                weights[j, k] = weights[j, k + one] = weights[j, k + two] = weights[j, k + three] = weight
            columns += one
        to = three * begin
        corner = three * np.uint64(top * size[1] + left) + to
        for k in range(three * columns):
            total = ZERO
            for j in range(taps):
                total += weights[j, k] * np.float32(samples[corner + k + np.uint64(j) * stride])
            line[to + k] = total
        for k in range(three * columns):
            at = corner + k + first * stride
            least = most = samples[at]
            for j in range(1, inner):
                value = samples[at + np.uint64(j) * stride]
                least, most = min(least, value), max(most, value)
            low[to + k], high[to + k] = least, most
        begin += columns
    return True


@compiled
def _across(xs, start, left, right, line, low, high, lowest, highest, table, counted, pixels):
    """Interpolate an output line's pixels (W, 4), whose last number is idle, from its columns, kept in range."""
    taps = len(counted)
    first, inner = taps // 4, taps - 2 * (taps // 4)
    for k in range(np.uint64(3 * (right - left - inner + 1))):
        least, most = low[k], high[k]
        for j in range(1, inner):
            least, most = min(least, low[k + np.uint64(3 * j)]), max(most, high[k + np.uint64(3 * j)])
        lowest[k], highest[k] = least, most
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    for u in range(np.uint64(len(xs))):
        x = xs[u] - start
        x0 = math.floor(x)
        phase = np.uint64((x - x0) * PHASES + 0.5)
        at = np.uint64(3 * (x0 - left))
        # Of four numbers in a row the vector units make one: the fourth, the next column's red, is not needed.
        red = green = blue = more = ZERO
        for j in range(taps):
            weight, tap = table[phase, j], at + np.uint64(3 * j)
            red += weight * line[tap]
            green += weight * line[tap + one]
            blue += weight * line[tap + two]
            more += weight * line[tap + three]
        at += np.uint64(3 * first)
        red = min(max(red, np.float32(lowest[at])), np.float32(highest[at]))
        green = min(max(green, np.float32(lowest[at + one])), np.float32(highest[at + one]))
        blue = min(max(blue, np.float32(lowest[at + two])), np.float32(highest[at + two]))
        more = min(max(more, np.float32(lowest[at + three])), np.float32(highest[at + three]))
        pixels[u, 0], pixels[u, 1], pixels[u, 2], pixels[u, 3] = red, green, blue, more


@compiled
def _add(pixels, even, factor, gains, out):
    """Add an output line's pixels (W, 4) to out (W, 3), each with its gain.

    even: float32 (W,), what undoes the vignetting.
    """
    gain, more_red, more_blue = gains[0], gains[1] - ONE, gains[3] - ONE
    for u in range(len(pixels)):
        red, green, blue = pixels[u, 0], pixels[u, 1], pixels[u, 2]
        scale, share = held(max(red, green, blue) * PART_OF_WHITE, gain * even[u])
        scale *= factor
        out[u, 0] += scale * (ONE + more_red * share) * red
        out[u, 1] += scale * green
        out[u, 2] += scale * (ONE + more_blue * share) * blue


@compiled
def _warp(samples, size, matrix, grid, place, glass, table, counted, factor, gains, out):
    """A line of the output at a time: first down the frame's columns where the line crosses them, then across.

    The two directions of the kernel so follow the line, and the work on a column is done once for all the pixels that
    it counts for (after Catmull & Smith 1980, "3-D transformations of images in scanline order"). Where the lens draws
    the colours apart, each has a line of its own. counted: a tuple with an item a tap: the compiler knows its length,
    so that it can lay out all the taps' work for the vector units.
    """
    taps, width = len(counted), out.shape[1]
    start = (taps - 2) / 2
    shifts, xs, ys = np.zeros((width, 2)), np.empty(width), np.empty(width)
    seen, even, pixels = np.empty((width, glass.shape[2])), np.ones(width, np.float32), np.empty((width, 4), np.float32)
    colours = 3 if glass.shape[2] == 7 else 1
    own_xs, own_ys, own = np.empty(width), np.empty(width), np.empty((width, 4), np.float32)
    tops, phases = np.empty(size[1], np.int32), np.empty(size[1], np.int32)
    weights = np.empty((taps, 3 * COLUMNS + 1), np.float32)
    # One more, as the last pixel's fourth number is read beyond its third.
    length = 3 * size[1] + 1
    line = np.zeros(length, np.float32)
    low, high = np.empty(length, np.uint16), np.empty(length, np.uint16)
    lowest, highest = np.zeros(length, np.uint16), np.zeros(length, np.uint16)
    for v in range(out.shape[0]):
        _places(matrix, grid, place, v, shifts, xs, ys)
        if len(glass):
            _shifts(glass, (1 / GLASS, 0.0, 1 / GLASS, 0.0), v, seen)
            for u in range(width):
                xs[u] += seen[u, 0]
                ys[u] += seen[u, 1]
                even[u] = np.float32(seen[u, 2])
        for colour in range(colours):
            apart = 3 + 2 * (colour // 2) if colours > 1 and colour != 1 else -1
            for u in range(width):
                own_xs[u] = xs[u] + (seen[u, apart] if apart > 0 else 0.0)
                own_ys[u] = ys[u] + (seen[u, apart + 1] if apart > 0 else 0.0)
            left, right = math.floor(own_xs[0] - start), math.floor(own_xs[-1] - start) + taps
            if not _rising(own_xs) or left < 0 or right > size[1]:
                return False
            _follow(own_xs, own_ys, start, left, right, tops, phases)
            if not _down(samples, size, left, right, tops, phases, table, counted, weights, line, low, high):
                return False
            into = pixels if colours == 1 else own
            _across(own_xs, start, left, right, line, low, high, lowest, highest, table, counted, into)
            if colours > 1:
                for u in range(width):
                    pixels[u, colour] = own[u, colour]
        _add(pixels, even, factor, gains, out[v])
    return True
