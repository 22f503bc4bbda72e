"""One frame of the clip: a single interpolation from the decoded frame to the output, gain, look, signal."""

import math

import numba
import numpy as np

from kerbwalk.pixels import enlarging

LOBES = 2
PHASES = 256
WHITE = 65535


def output_to_frame(crop, output, matrix, scale):
    """The 3x3 homography from output pixels to pixels of the decoded frame.

    crop: (left, top, width, height) in the steadied plane, edges; output: (width, height); matrix: 3x3, plane to photo
    pixels; scale: photo pixels a frame pixel (kerbwalk.pixels).
    """
    left, top, width, height = crop
    step_x, step_y = width / output[0], height / output[1]
    to_plane = np.array([[step_x, 0, left + step_x / 2], [0, step_y, top + step_y / 2], [0, 0, 1]])
    return np.linalg.inv(enlarging(scale)) @ np.asarray(matrix) @ to_plane


def shrink(crop, output, scale):
    """Frame pixels an output pixel, at least 1: how wide the interpolation's kernel has to be."""
    return max(1.0, crop[2] / output[0] / scale)


def kernel_table(shrink_by):
    """Weights of the Lanczos-2 kernel (Duchon 1979), widened where the picture shrinks so that nothing aliases.

    Returns float32 (257, 2 radius): a row for each 256th of a pixel, each summing to 1.
    """
    radius = math.ceil(LOBES * shrink_by)
    offset = np.arange(2 * radius) - radius + 1 - np.arange(PHASES + 1)[:, None] / PHASES
    t = offset / shrink_by
    weights = np.sinc(t) * np.sinc(t / LOBES) * (np.abs(t) < LOBES)
    return (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)


def warp(frame, matrix, table, factor, out):
    """Add factor times the frame, seen through a homography, to out.

    frame: uint16 (h, w, 3), scene-linear, contiguous; matrix: float64 3x3, out pixel to frame pixel; table:
    kernel_table(); factor: float; out: float32 (H, W, 3 or 4), changed in place. The frame must reach the radius
    beyond every pixel asked for: nothing is made up at its edges (a place outside raises IndexError).
    The kernel's negative lobes would leave dark rings around lamps, which in linear light are hundreds of times
    brighter than the sky beside them: each value is kept within the range of the pixels that it stands for, the four
    around its place, or more where the picture shrinks.
    """
    lines = frame.reshape(frame.shape[0], -1)
    if not _warp(lines, np.asarray(matrix, np.float64), table, np.repeat(table, 3, axis=1), np.float32(factor), out):
        raise IndexError("the crop reaches outside a frame")


@numba.njit(cache=True, nogil=True)
def _warp(lines, matrix, table, table_rgb, factor, out):
    height, width = lines.shape[0], lines.shape[1] // 3
    taps = table.shape[1]
    radius = taps // 2
    # The frame's lines first, all columns and channels of a tap side by side: this is what the processor's
    # vector units take; then the columns.
    column, low, high = np.empty((3, 3 * taps), np.float32)
    # The taps within one output pixel of the place: all but the outer half of each lobe.
    inner = (taps + 3) // 4
    first, last = radius - inner, radius + inner
    for v in range(out.shape[0]):
        for u in range(out.shape[1]):
            w = 1.0 / (matrix[2, 0] * u + matrix[2, 1] * v + matrix[2, 2])
            x = (matrix[0, 0] * u + matrix[0, 1] * v + matrix[0, 2]) * w
            y = (matrix[1, 0] * u + matrix[1, 1] * v + matrix[1, 2]) * w
            ix, iy = int(math.floor(x)), int(math.floor(y))
            x0, y0 = ix - radius + 1, iy - radius + 1
            if x0 < 0 or y0 < 0 or x0 + taps > width or y0 + taps > height:
                return False
            weights_x = table_rgb[int((x - ix) * PHASES + 0.5)]
            weights_y = table[int((y - iy) * PHASES + 0.5)]
            column[:] = 0
            low[:] = np.inf
            high[:] = 0
            for j in range(taps):
                weight = weights_y[j]
                line = lines[y0 + j, 3 * x0 : 3 * (x0 + taps)]
                if first <= j < last:
                    for k in range(3 * taps):
                        value = np.float32(line[k])
                        column[k] += weight * value
                        low[k] = value if value < low[k] else low[k]
                        high[k] = value if value > high[k] else high[k]
                else:
                    for k in range(3 * taps):
                        column[k] += weight * np.float32(line[k])
            for channel in range(3):
                value, least, most = np.float32(0), np.float32(np.inf), np.float32(0)
                for k in range(channel, 3 * taps, 3):
                    value += weights_x[k] * column[k]
                for k in range(3 * first + channel, 3 * last, 3):
                    least = min(least, low[k])
                    most = max(most, high[k])
                out[v, u, channel] += factor * min(max(value, least), most)
    return True


@numba.njit(cache=True, nogil=True)
def signal(rgb, planes):
    """The BT.709 signal R'G'B' as 10-bit Y'CbCr, narrow range.

    rgb: float32 (h, w, 3 or 4), 0..1; planes: uint16 (3, h, w), filled in place with Y', Cb, Cr.
    Source: ITU-R BT.709-6, items 3.2 to 3.5 (E'Y, E'CB, E'CR and their quantisation for n = 10).
    """
    for v in range(rgb.shape[0]):
        for u in range(rgb.shape[1]):
            red, green, blue = rgb[v, u, 0], rgb[v, u, 1], rgb[v, u, 2]
            luma = np.float32(0.2126) * red + np.float32(0.7152) * green + np.float32(0.0722) * blue
            planes[0, v, u] = np.uint16(np.float32(876) * luma + np.float32(64.5))
            planes[1, v, u] = np.uint16(np.float32(896 / 1.8556) * (blue - luma) + np.float32(512.5))
            planes[2, v, u] = np.uint16(np.float32(896 / 1.5748) * (red - luma) + np.float32(512.5))
