"""The largest crop of the wanted aspect that no frame's edge enters."""

import numpy as np
from scipy.optimize import linprog

# The hold point keeps this part of the crop's size from its edges.
HOLD_MARGIN = 0.02


def crop(size, to_plane, aspect, hold, margin):
    """The largest crop of the steadied plane that lies inside every photo.

    size: (width, height) of the photos; to_plane: (n, 3, 3) homographies, photo to plane; aspect: width over height;
    hold: (2,) point of the plane that must stay inside; margin: pixels of each photo's border that must not be read.
    Returns (left, top, width, height) in plane pixels, edges and not centres: a whole picture is
    (-0.5, -0.5, W, H). Of crops equally large the one nearest to the photo's middle. Raises ValueError if
    there is none.
    Every photo on the plane is a convex quadrilateral, so "all corners inside all of them" is linear in the
    crop's middle and width: a linear programme (solved by HiGHS through SciPy).
    """
    width, height = size
    low, right, bottom = margin - 0.5, width - 0.5 - margin, height - 0.5 - margin
    corners = np.array([[low, low], [right, low], [right, bottom], [low, bottom]])
    limits, bounds = [], []
    for matrix in to_plane:
        mapped = np.column_stack([corners, np.ones(4)]) @ matrix.T
        mapped = mapped[:, :2] / mapped[:, 2:]
        along = np.roll(mapped, -1, axis=0) - mapped
        outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
        reach = np.abs(outward) @ [0.5, 0.5 / aspect]
        limits.append(np.column_stack([outward, reach]))
        bounds.append((outward * mapped).sum(1))
    inner = 0.5 - HOLD_MARGIN
    for axis, part in ((0, inner), (1, inner / aspect)):
        for sign in (1, -1):
            row = np.zeros(3)
            row[axis], row[2] = sign, -part
            limits.append(row[None])
            bounds.append([sign * hold[axis]])
    limits, bounds = np.vstack(limits), np.concatenate(bounds)
    largest = linprog([0, 0, -1], limits, bounds, bounds=[(None, None), (None, None), (16, None)])
    if largest.status != 0:
        raise ValueError("no crop of the wanted aspect lies inside every frame and holds the hold point")
    crop_width = largest.x[2] * (1 - 1e-6)
    x, y = _nearest_place(limits, bounds, crop_width, (np.array(size) - 1) / 2)
    return float(x - crop_width / 2), float(y - crop_width / aspect / 2), float(crop_width), float(crop_width / aspect)


def _nearest_place(limits, bounds, crop_width, middle):
    """Of all places for a crop of a given width the one with the least |dx| + |dy| from the middle."""
    rows = np.column_stack([limits[:, :2], np.zeros((len(limits), 2))])
    away = [[s * (axis == 0), s * (axis == 1), -(axis == 0), -(axis == 1)] for axis in (0, 1) for s in (1, -1)]
    wanted = [s * middle[axis] for axis in (0, 1) for s in (1, -1)]
    place = linprog(
        [0, 0, 1, 1],
        np.vstack([rows, np.array(away, float)]),
        np.concatenate([bounds - limits[:, 2] * crop_width, wanted]),
        bounds=[(None, None)] * 4,
    )
    return place.x[:2]
