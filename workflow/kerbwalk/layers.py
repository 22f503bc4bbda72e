"""A photo laid into a frame of the clip, alone or with its borders filled from another (kerbwalk.filling)."""

import itertools
from dataclasses import dataclass

import numpy as np

from kerbwalk import compose, filling, lens, retime
from kerbwalk.pixels import reduced

# Filled frames are made in squares of so many output pixels, each from as much of the photos as it needs.
SQUARE = 256
# What is read about such a square, frame pixels beyond the kernel: red and blue lie a little beside green.
ROOM = 8
# So many places a side tell where a square lies, but for so many photo pixels.
FEW, WELL = 17, 2.0


@dataclass
class Layer:
    """frame: the decoded photo; warp: {matrix, grid} as in warps.json; factor, gain, tint: as for compose.warp; glass:
    kerbwalk.lens; size: (width, height) of photo and plane; scale: photo pixels a frame pixel.
    """

    frame: np.ndarray
    warp: dict
    factor: float
    gain: float
    tint: tuple
    glass: dict
    size: tuple
    scale: float


def lay(layer, crop, table, out, part=None):
    """Add a photo to out, float32 (H, W, 3), which shows a crop of the plane.

    table: compose.kernel_table(); part: (frame, its first column and line) to read instead of the layer's whole one.
    """
    output, (frame, first) = out.shape[1::-1], part or (layer.frame, (0, 0))
    matrix = compose.output_to_frame(crop, output, layer.warp["matrix"], layer.scale)
    bend = None
    if layer.warp["grid"] is not None:
        grid = layer.warp["grid"] / layer.scale
        bend = grid, compose.output_to_grid(crop, output, layer.size, grid.shape)
    glass = compose.through(layer.glass, matrix, bend, output, layer.scale)
    matrix = np.array([[1, 0, -first[0]], [0, 1, -first[1]], [0, 0, 1]]) @ matrix
    compose.warp(frame, matrix, table, layer.factor, out, layer.gain, layer.tint, bend, glass)


def lay_filled(own, other, crop, table, borders, out):
    """The same of a photo that does not reach all over the crop, and what fills it.

    borders: (4,) as for filling.inside. Raises IndexError where both lack a pixel.
    """
    step = np.array(crop[2:]) / out.shape[1::-1]
    for top, left in itertools.product(range(0, out.shape[0], SQUARE), range(0, out.shape[1], SQUARE)):
        square = out[top : top + SQUARE, left : left + SQUARE]
        height, width = square.shape[:2]
        corner = crop[:2] + step * (left, top)
        part = *corner, *(step * (width, height))
        about = _places(corner, step, np.linspace(0, width, FEW), np.linspace(0, height, FEW))
        shown = _square(own, part, table, about, square.shape)
        # Nearly all squares lie well inside, which a few places tell.
        if filling.share(filling.inside(own.warp, about, own.size, borders) - WELL, own.size).min() < 1:
            places = _places(corner, step, np.arange(width) + 0.5, np.arange(height) + 0.5)
            whole = filling.share(filling.inside(own.warp, places, own.size, borders), own.size)
            lacking = whole < 1
            if filling.inside(other.warp, places[lacking], other.size, borders).min(initial=0) < 0:
                raise IndexError("the crop reaches outside two photos")
            filled = _square(other, part, table, about, square.shape).reshape(-1, 3)[lacking]
            mine = np.float32(whole[lacking])[:, None]
            shown.reshape(-1, 3)[lacking] = mine * shown.reshape(-1, 3)[lacking] + (1 - mine) * filled
        square += shown


def _places(corner, step, u, v):
    """Places on the plane of a square's columns u and lines v, in output pixels from its corner: (n, 2)."""
    return corner + step * np.stack(np.meshgrid(u, v), -1).reshape(-1, 2)


def _square(layer, part, table, places, shape):
    """A square of the output, of a frame whose borders are continued as far as is needed. places: some all over it."""
    at = reduced(lens.to_photo(layer.glass, retime.led(layer.warp, places, layer.size)), layer.scale)
    room = table.shape[1] + ROOM
    low, high = np.floor(at.min(0)).astype(int) - room, np.ceil(at.max(0)).astype(int) + room
    columns, lines = (np.clip(np.arange(low[k], high[k]), 0, layer.frame.shape[1 - k] - 1) for k in (0, 1))
    frame = layer.frame[lines[0] : lines[-1] + 1, columns[0] : columns[-1] + 1]
    shown = np.zeros(shape, np.float32)
    frame = np.ascontiguousarray(frame[lines - lines[0]][:, columns - columns[0]])
    # As mapped frames are: of another kind of array the warp would be compiled once more.
    frame.flags.writeable = False
    lay(layer, part, table, shown, (frame, low))
    return shown
