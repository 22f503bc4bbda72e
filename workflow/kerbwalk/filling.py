"""Thin borders that a photo lacks in the crop, filled from one of its neighbours where that is not seen.

A neighbour was taken a step further on, so it is seen from the even walk's camera at the photo itself, by the walls'
nearness, as mixed frames are (kerbwalk.retime). What lies beyond the photo's border nobody can check; but just inside
it both photos show the same places, and where they differ there, the border is not filled.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from kerbwalk import lens, mesh, retime
from kerbwalk.homography import transfer
from kerbwalk.pixels import reduced

# A photo is filled from one of so many before it or after it.
REACH = 3
# Over this part of its width a photo gives way at its border; both are compared in blocks of that size, of which none
# may differ by more (RMS, levels of 255 of registration.encode).
JOIN, SEEN = 0.008, 24.0
# The crop's rim is tried at steps of this part of its width, so the other photo has to reach further by as much.
STEP = 1 / 400
ROUNDS = 4
# How deep the strips inside a border are, pixels of the small picture: optical flow needs so many; and how far about a
# node of the grid they count, in its spacing.
DEPTH, NEAR = 64, 0.5


def inside(warp, points, size, borders):
    """How far points (n, 2) of the plane lie inside what may be read of a photo: (n,) photo pixels, below 0 outside.

    warp: {matrix, grid} as in warps.json; size: (width, height); borders: (4,) as for kerbwalk.framing.crop.
    """
    at = retime.led(warp, points, size)
    low, high = np.array(borders[:2]) - 0.5, np.array(size) - 0.5 - borders[2:]
    return np.minimum(at - low, high - at).min(1)


def share(depth, size):
    """How much a photo itself shows where it reaches beyond a point by so many pixels (see inside)."""
    return np.clip(depth / (JOIN * size[0]), 0, 1)


def seen_from(photos, k, n, size):
    """The warp {matrix, grid} from the plane as the clip shows it at photo k to photo n. photos: of warps.json."""
    way, part = (photos[k : n + 1], 0.0) if n > k else (photos[n : k + 1], 1.0)
    matrix, grid = retime.views(way, part, size)[n > k]
    return {"matrix": matrix.tolist(), "grid": np.round(grid, 3)}


def beyond(photo, crops, size, borders):
    """How far a photo's crops reach beyond it, pixels. crops: of the frames that it is part of."""
    return max(0.0, -float(inside(photo, np.concatenate([_rim(crop) for crop in crops]), size, borders).min()))


def filled(photos, k, crops, size, borders, glass, picture, factor):
    """What the borders of photo k are filled from: (number of the other photo, its warp), or None.

    photos: records of warps.json; crops: of the frames that it is part of; size, borders: as for inside(); glass:
    kerbwalk.lens; picture(number): a photo's small picture, float32, as registration.encode makes it, all equally
    bright; factor: photo pixels a pixel of it.
    """
    rim = np.concatenate([_rim(crop) for crop in crops])
    sides = list(_sides(photos[k], crops, size, borders, factor))
    joined = [side.plane[: side.block].reshape(-1, 2) for side in sides]
    needed = np.concatenate([rim[inside(photos[k], rim, size, borders) < JOIN * size[0]], *joined])
    needed = needed[np.any([_in(crop, needed) for crop in crops], axis=0)]
    mine = [_looked(picture(k), side.places, glass, factor) for side in sides]

    def short(warp):
        return inside(warp, needed, size, borders).min() < STEP * size[0]

    for n in _others(photos, k):
        warp = seen_from(photos, k, n, size)
        if short(warp):
            continue
        warp = _registered(warp, mine, sides, picture(n), size, glass, factor)
        theirs = [_looked(picture(n), side.seen(warp, size), glass, factor) for side in sides]
        apart = [side.blocks(np.square(a - b)).max() for side, a, b in zip(sides, mine, theirs, strict=True)]
        if np.sqrt(max(apart, default=0)) <= SEEN and not short(warp):
            return n, warp
    return None


def lacks(photo, crop, size, borders):
    """The part of a crop that a photo lacks."""
    across, down = (np.arange(200) + 0.5) / 200 * crop[2] + crop[0], (np.arange(120) + 0.5) / 120 * crop[3] + crop[1]
    points = np.stack(np.meshgrid(across, down), -1).reshape(-1, 2)
    return float(np.mean(inside(photo, points, size, borders) < 0))


def _others(photos, k):
    """The photos that might fill another's borders, the nearest first."""
    near = [n for step in range(1, REACH + 1) for n in (k - step, k + step) if 0 <= n < len(photos)]
    return [n for n in near if photos[n]["placed"]]


def _rim(crop):
    """Points along a crop's edges: (n, 2)."""
    left, top, width, height = crop
    along = np.linspace(0, 1, round(1 / STEP) + 1)
    ends = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]])
    lines = [start + along[:, None] * (end - start) for start, end in zip(ends[:-1], ends[1:], strict=True)]
    return np.concatenate(lines) * (width, height) + (left, top)


def _in(crop, points):
    low = np.array(crop[:2])
    return ((points >= low) & (points <= low + crop[2:])).all(-1)


@dataclass
class _Side:
    """A strip inside a photo's border, (depth, length, 2) from the border inwards: `places` in the straight photo, and
    on the `plane`; steps: (2, 2), what a step along it and one inwards are in the photo; block: so many steps make one;
    asked: (blocks,) whether the crop reaches beyond the border there.
    """

    places: np.ndarray
    plane: np.ndarray
    steps: np.ndarray
    block: int
    asked: np.ndarray

    def blocks(self, values):
        """The mean of values (depth, length, ...) over each block at the border that is asked for."""
        cut = values[: self.block].reshape(self.block, -1, self.block, *values.shape[2:])
        return cut.mean((0, 2))[self.asked]

    def seen(self, warp, size):
        return retime.led(warp, self.plane.reshape(-1, 2), size).reshape(self.plane.shape)


def _sides(photo, crops, size, borders, factor):
    """A _Side for each border beyond which a crop reaches, in steps of a pixel of the small picture."""
    block = max(2, round(JOIN * size[0] / factor))
    low, high = np.array(borders[:2]) - 0.5, np.array(size) - 0.5 - borders[2:]
    for axis in (0, 1):
        count = int((high[axis] - low[axis]) / factor / block)
        for edge, inwards in ((low, factor), (high, -factor)):
            steps = np.zeros((2, 2))
            steps[0, axis], steps[1, 1 - axis] = factor, inwards
            along, depth = np.meshgrid(np.arange(count * block), np.arange(DEPTH))
            start = np.where(np.arange(2) == axis, low, edge)
            places = start + along[..., None] * steps[0] + depth[..., None] * steps[1]
            middles = _on_plane(photo, places[0, block // 2 :: block], size)
            asked = np.any([_in(crop, middles) for crop in crops], axis=0)
            if asked.any():
                yield _Side(places, _on_plane(photo, places, size), steps, block, asked)


def _on_plane(photo, places, size):
    """Where places (..., 2) of the straight photo lie on the plane."""
    flat, matrix = places.reshape(-1, 2), np.array(photo["matrix"])
    inverse = np.linalg.inv(matrix)
    plane = transfer(inverse, flat)
    for _ in range(ROUNDS):
        plane = transfer(inverse, flat - retime.led(photo, plane, size) + transfer(matrix, plane))
    return plane.reshape(places.shape)


def _registered(warp, mine, sides, picture, size, glass, factor):
    """A warp with further shifts that lay the other photo on what is seen just inside the borders.

    The walls' nearness is least known there. Dense optical flow (Kroeger et al. 2016, through OpenCV) of the strips,
    averaged about each node of the grid.
    """
    nodes, spacing = mesh.nodes(size), max(size) / mesh.NODES[0]
    method = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    for _ in range(2):
        flow, middles = [np.zeros((0, 2))], [np.zeros((0, 2))]
        for side, own in zip(sides, mine, strict=True):
            other = _looked(picture, side.seen(warp, size), glass, factor)
            moved = method.calc(_bytes(own), _bytes(other), None)
            flow.append(side.blocks(moved) @ side.steps)
            middles.append(side.blocks(side.plane))
        flow, middles = np.concatenate(flow), np.concatenate(middles)
        near = np.exp(-np.square(nodes[:, :, None] - middles).sum(-1) / (2 * (NEAR * spacing) ** 2))
        grid = warp["grid"] + near @ flow / (near.sum(-1, keepdims=True) + 1e-3)
        warp = {"matrix": warp["matrix"], "grid": np.round(grid, 3)}
    return warp


def _looked(picture, places, glass, factor):
    """What a small picture shows at places (..., 2) of the straight photo, without the lens's vignetting."""
    at = lens.to_photo(glass, places)
    seen = cv2.remap(picture, np.float32(reduced(at, factor)), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return seen / np.sqrt(lens.light(glass, at))


def _bytes(picture):
    return np.uint8(np.minimum(picture, 255))
