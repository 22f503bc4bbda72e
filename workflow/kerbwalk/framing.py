"""The largest crop of the wanted aspect that no frame's edge enters, standing or on a slow move."""

import numpy as np
from scipy.optimize import linprog

# The hold point keeps this part of the crop's size from its edges.
HOLD_MARGIN = 0.02
# Where its place is free, a crop gives up so much of its width to lie nearer to the photo's middle: for less than that
# it would lie at an edge, as photos that lean leave a little more room there.
GIVEN = 0.0025
# A photo is worth naming if the clip without it and those before it keeps so much more of the picture.
WORTH = 1.02
# At most so many photos are named, and no photo is tried that does not limit the crop to this, in pixels.
MOST, TOUCH = 5, 0.5


def crop(size, to_plane, aspect, hold, margins, hold_at=None, move=None, centre=None, give=GIVEN):
    """The largest crop of the steadied plane that lies inside every photo.

    size: (width, height) of the photos; to_plane: (n, 3, 3) homographies, photo to plane; aspect: width over height;
    hold: (2,) point of the plane that must stay inside; margins: (n, 4) or a number, pixels of each photo's left, top,
    right and lower border that must not be read; hold_at: (2,) where in the crop the hold point has to lie, parts
    of its size, or None; move: (n, 3), how each frame's crop lies to the first's: the factor of its width, of which the
    hold point keeps its place in the crop, and a shift of its middle in parts of the first's width and height; or None;
    centre: (2,) point of the plane that the crop's middle has to be, or None; give: the part of its width that it may
    give up to lie nearer to the photo's middle.
    Returns (left, top, width, height) of the first frame's in plane pixels, edges and not centres: a whole picture is
    (-0.5, -0.5, W, H). Raises ValueError if there is none.
    Every photo on the plane is a convex quadrilateral, so "all corners inside all of them" is linear in the
    crop's middle and width: a linear programme (solved by HiGHS through SciPy).
    """
    limits, bounds = _inside(size, to_plane, aspect, hold, margins, move)
    solved = _largest(limits, bounds, aspect, hold, hold_at, move, centre)
    if solved is None:
        raise ValueError("no crop of the wanted aspect lies inside every frame and holds the hold point")
    if centre is None and hold_at is None:
        rows, wanted = _holding(hold, aspect, hold_at, move)
        rows, wanted = np.vstack([limits.reshape(-1, 3), rows]), np.concatenate([bounds.ravel(), wanted])
        centre = _nearest_place(rows, wanted, solved[2] * (1 - max(give, 1e-6)), (np.array(size) - 1) / 2)
        solved = _largest(limits, bounds, aspect, hold, hold_at, move, centre)
    crop_width = solved[2] * (1 - 1e-6)
    if hold_at is None:
        x, y = centre
    else:
        x, y = hold - (np.array(hold_at) - 0.5) * crop_width * np.array([1, 1 / aspect])
    return float(x - crop_width / 2), float(y - crop_width / aspect / 2), float(crop_width), float(crop_width / aspect)


def costly(size, to_plane, photo, aspect, hold, margins, hold_at=None, move=None, centre=None, give=GIVEN):
    """Which photos cost the clip much of its picture: [(photos left out so far, area of the first crop then, pixels)].

    photo: (n,) which photo each of `to_plane` is, as one may stand in for others too; the rest as crop() takes it.
    Greedy: of the photos that limit the crop the one whose leaving out gives most, then the next.
    """
    photo, margins = np.asarray(photo), np.broadcast_to(margins, (len(photo), 4))
    limits, bounds = _inside(size, to_plane, aspect, hold, margins, move)

    def largest(rows):
        return _largest(limits[rows], bounds[rows], aspect, hold, hold_at, move, centre)

    left_out, found = [], []
    kept = np.ones(len(photo), bool)
    best = largest(kept)
    while best is not None and len(left_out) < MOST and len(np.unique(photo[kept])) > 3:
        tried = []
        for one in np.unique(photo[kept & (bounds - limits @ best < TOUCH).any(axis=1)]):
            solved = largest(kept & (photo != one))
            if solved is not None:
                tried.append((solved[2], one, solved))
        if not tried or max(tried, key=lambda one: one[0])[0] < best[2] * np.sqrt(WORTH):
            break
        _, out, best = max(tried, key=lambda one: one[0])
        left_out.append(out.item())
        kept &= photo != out
        moves = None if move is None else move[kept]
        taken = crop(size, to_plane[kept], aspect, hold, margins[kept], hold_at, moves, centre, give)
        found.append((list(left_out), taken[2] * taken[3]))
    return found


def _inside(size, to_plane, aspect, hold, margins, move):
    """Limits on the first crop's (x, y, width): (n, 16, 3) and (n, 16), rows @ it <= bounds."""
    width, height = size
    margins = np.broadcast_to(margins, (len(to_plane), 4))
    limits, bounds = [], []
    for k, matrix in enumerate(to_plane):
        left, top, right, bottom = margins[k] + (-0.5, -0.5, 0.5 - width, 0.5 - height)
        corners = np.array([[left, top], [-right, top], [-right, -bottom], [left, -bottom]])
        mapped = np.column_stack([corners, np.ones(4)]) @ matrix.T
        mapped = mapped[:, :2] / mapped[:, 2:]
        along = np.roll(mapped, -1, axis=0) - mapped
        outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
        factor, *shift = (1.0, 0.0, 0.0) if move is None else move[k]
        reach = factor * np.abs(outward) @ [0.5, 0.5 / aspect] + outward @ (np.array(shift) * (1, 1 / aspect))
        limits.append(np.column_stack([factor * outward, reach]))
        bounds.append((outward * mapped).sum(1) - (1 - factor) * outward @ hold)
    return np.array(limits), np.array(bounds)


def _holding(hold, aspect, hold_at, move):
    """Limits that keep the hold point inside every frame's crop: (rows, bounds)."""
    inner = 0.5 - HOLD_MARGIN
    rows, bounds = [], []
    shifts = np.zeros((1, 3)) if move is None else np.unique(np.asarray(move)[[0, -1]], axis=0)
    for factor, *shift in shifts + ([1, 0, 0] if move is None else 0):
        for axis, part in ((0, 1), (1, 1 / aspect)):
            for sign in (1, -1):
                row = np.zeros(3)
                row[axis], row[2] = sign * factor, (sign * shift[axis] - inner * factor) * part
                rows.append(row)
                bounds.append(sign * hold[axis] * factor)
    return np.array(rows), np.array(bounds)


def _largest(limits, bounds, aspect, hold, hold_at, move, centre):
    """The first crop's (x, y, width) with the largest width, or None."""
    rows, wanted = _holding(hold, aspect, hold_at, move)
    equal = {}
    if hold_at is not None:
        across = np.array(hold_at) - 0.5
        equal = {"A_eq": [[1, 0, across[0]], [0, 1, across[1] / aspect]], "b_eq": hold}
    x, y = (None, None) if centre is None else centre
    largest = linprog(
        [0, 0, -1],
        np.vstack([limits.reshape(-1, 3), rows]),
        np.concatenate([bounds.ravel(), wanted]),
        bounds=[(x, x), (y, y), (16, None)],
        **equal,
    )
    return largest.x if largest.status == 0 else None


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


def shift_margins(grid):
    """How far local shifts may lead beyond each border: (4,) pixels for left, top, right and lower border.

    grid: (gh, gw, 2) shifts. The border's half of the plane counts, which is where a crop can meet it.
    """
    x, y = grid[..., 0], grid[..., 1]
    across, down = grid.shape[1] // 2 + 1, grid.shape[0] // 2 + 1
    beyond = -x[:, :across].min(), -y[:down].min(), x[:, -across:].max(), y[-down:].max()
    return np.maximum(beyond, 0.0)
