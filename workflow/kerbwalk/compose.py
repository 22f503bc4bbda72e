"""One frame of the clip: a single interpolation from the decoded frame to the output, and its gain."""

import math

import cv2
import numba
import numpy as np

from kerbwalk.pixels import enlarging

LOBES = 2
PHASES = 256
WHITE = 65535
# From this part of white on a gain bends towards the sensor's white.
KNEE = np.float32(0.85)
# The tint of a photo without one.
PLAIN = (1.0, 1.0, 1.0)


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


def shrink(crop, output, scale):
    """Frame pixels an output pixel, at least 1: how wide the interpolation's kernel has to be."""
    return max(1.0, crop[2] / output[0] / scale)


def kernel_table(shrink_by):
    """Weights of the Lanczos-2 kernel (Duchon 1979), widened where the picture shrinks so that nothing aliases.

    Returns float32 (257, taps): a row for each 256th of a pixel, each summing to 1. With as few taps as reach, the
    first one lies at floor(x - (taps - 2) / 2) for a place x, and the row is that of the fraction cut off.
    """
    taps = math.ceil(2 * LOBES * shrink_by)
    offset = np.arange(taps) - (taps - 2) / 2 - np.arange(PHASES + 1)[:, None] / PHASES
    t = offset / shrink_by
    weights = np.sinc(t) * np.sinc(t / LOBES) * (np.abs(t) < LOBES)
    return (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)


def warp(frame, matrix, table, factor, out, gain=1.0, tint=PLAIN, bend=None):
    """Add factor times the frame, seen through a homography and local shifts and with a gain, to out.

    frame: uint16 (h, w, 3), scene-linear, contiguous; matrix: float64 3x3, out pixel to frame pixel; table:
    kernel_table(); factor: float; out: float32 (H, W, 3), changed in place; gain, tint: as for `held`; bend: None, or
    (grid, place): shifts in frame pixels to be added to where the matrix leads, (gh, gw, 2), bilinear between nodes
    and beyond the outer ones as at them, and output_to_grid(). The frame must reach half the taps beyond every pixel
    asked for: nothing is made up at its edges (a place outside raises IndexError).
    The kernel's negative lobes would leave dark rings around lamps, which in linear light are hundreds of times
    brighter than the sky beside them: each value is kept within the range of the pixels that it stands for, the four
    around its place, or more where the picture shrinks.
    """
    counted = (0,) * table.shape[1]
    grid, place = bend or (np.empty((0, 0, 2)), (0.0, 0.0, 0.0, 0.0))
    samples, matrix, gains = frame.reshape(-1), np.asarray(matrix, np.float64), np.float32([gain, *tint])
    if not _warp(samples, frame.shape[:2], matrix, grid, place, table, counted, factor, gains, out):
        raise IndexError("the crop reaches outside a frame")


@numba.njit(cache=True, nogil=True)
def held(level, gain):
    """What a pixel is multiplied by where a photo gets a gain, and how much of its tint it gets.

    level: float32, the pixel's greatest channel, as a part of the sensor's white; gain: float32, above 0.
    White stays white in every photo: a gain below 1 would turn lamps that the sensor clipped grey, and flicker on them,
    and one above 1 would clip what the sensor held. So from a knee on the gain bends, along the hyperbola of the look's
    shoulder, to 1 at white; all channels get the same, so that colours stay. The tint fades there.
    """
    knee = KNEE / max(gain, np.float32(1))
    if level <= knee:
        return gain, np.float32(1)
    edge, u = gain * knee, (level - knee) / (1 - knee)
    slope = gain * (1 - knee) / (1 - edge)
    return (edge + (1 - edge) * slope * u / (1 + (slope - 1) * u)) / level, 1 - u


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


@numba.njit(cache=True, nogil=True)
def _shifts(grid, place, v, shifts):
    """The shifts of an output line's pixels, into shifts (W, 2)."""
    down, across = grid.shape[0], grid.shape[1]
    y = min(max(place[2] * v + place[3], 0.0), down - 1.0)
    j = min(int(y), down - 2)
    y -= j
    row = grid[j] * (1 - y) + grid[j + 1] * y
    for u in range(len(shifts)):
        x = min(max(place[0] * u + place[1], 0.0), across - 1.0)
        i = min(int(x), across - 2)
        x -= i
        shifts[u, 0] = row[i, 0] + (row[i + 1, 0] - row[i, 0]) * x
        shifts[u, 1] = row[i, 1] + (row[i + 1, 1] - row[i, 1]) * x


@numba.njit(cache=True, nogil=True)
def _warp(samples, size, matrix, grid, place, table, counted, factor, gains, out):
    """counted: a tuple with an item a tap. The compiler knows its length, so that it can lay out all the taps' work
    for the processor's vector units: the frame's lines first, all columns and channels side by side, then the columns.
    """
    taps = len(counted)
    # Whole vectors of 8; what is read beyond the taps is not used.
    side_by_side = (3 * taps + 7) // 8 * 8
    column = np.empty(side_by_side, np.float32)
    low, high = np.empty(side_by_side, np.uint16), np.empty(side_by_side, np.uint16)
    # The taps within one output pixel of the place: all but the outer half of each lobe.
    first = taps // 4
    last = taps - first
    height, width = size
    line = np.uint64(3 * width)
    start = (taps - 2) / 2
    factor = np.float32(factor)
    pixel = np.empty(3, np.float32)
    shifts = np.zeros((out.shape[1], 2))
    for v in range(out.shape[0]):
        if len(grid):
            _shifts(grid, place, v, shifts)
        for u in range(out.shape[1]):
            w = 1.0 / (matrix[2, 0] * u + matrix[2, 1] * v + matrix[2, 2])
            x = (matrix[0, 0] * u + matrix[0, 1] * v + matrix[0, 2]) * w + shifts[u, 0] - start
            y = (matrix[1, 0] * u + matrix[1, 1] * v + matrix[1, 2]) * w + shifts[u, 1] - start
            x0, y0 = int(math.floor(x)), int(math.floor(y))
            corner = 3 * (y0 * width + x0)
            inside = x0 >= 0 and y0 >= 0 and x0 + taps <= width and y0 + taps <= height
            if not inside or corner + 3 * width * (taps - 1) + side_by_side > len(samples):
                return False
            weights_x = table[int((x - x0) * PHASES + 0.5)]
            weights_y = table[int((y - y0) * PHASES + 0.5)]
            for k in range(side_by_side):
                at = np.uint64(corner) + np.uint64(k)
                total = np.float32(0)
                for j in range(taps):
                    total += weights_y[j] * np.float32(samples[at + np.uint64(j) * line])
                column[k] = total
            for k in range(side_by_side):
                at = np.uint64(corner) + np.uint64(k) + np.uint64(first) * line
                least = most = samples[at]
                for j in range(1, last - first):
                    value = samples[at + np.uint64(j) * line]
                    least, most = min(least, value), max(most, value)
                low[k], high[k] = least, most
            for channel in range(3):
                total = np.float32(0)
                for j in range(taps):
                    total += weights_x[j] * column[3 * j + channel]
                least, most = low[3 * first + channel], high[3 * first + channel]
                for j in range(first + 1, last):
                    least, most = min(least, low[3 * j + channel]), max(most, high[3 * j + channel])
                pixel[channel] = min(max(total, np.float32(least)), np.float32(most))
            scale, share = held(max(pixel[0], pixel[1], pixel[2]) / np.float32(WHITE), gains[0])
            for channel in range(3):
                out[v, u, channel] += factor * scale * (1 + (gains[1 + channel] - 1) * share) * pixel[channel]
    return True
