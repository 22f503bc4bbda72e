"""Values at the nodes of a grid over the steadied plane, bilinear between them: shifts, or nearness.

A grid is an array (down, across, ...); its outer nodes are the plane's corner pixels.
"""

import numpy as np

from kerbwalk.homography import transfer

# Nodes of the grid along the plane's longer and its shorter side: its cells are about square.
NODES = 25, 17


def to_plane(matrix, grid, points, size):
    """Points (n, 2) of a photo on the plane: the warp backwards, by iteration."""
    back = np.linalg.inv(matrix)
    found = transfer(back, points)
    for _ in range(10 if grid is not None else 0):
        found = transfer(back, points - at(grid, found, size))
    return found


def at(grid, points, size):
    """Values of a grid (gh, gw, ...) over a plane of (width, height) at points (n, 2), beyond its edges as at them."""
    x, y, i, j = cells(points, size, grid.shape[1], grid.shape[0])
    x, y = (part.reshape(-1, *[1] * (grid.ndim - 2)) for part in (x, y))
    top = grid[j, i] * (1 - x) + grid[j, i + 1] * x
    below = grid[j + 1, i] * (1 - x) + grid[j + 1, i + 1] * x
    return top * (1 - y) + below * y


def nodes(size, shape=None):
    """Places of a grid's nodes on a plane of (width, height): (gh, gw, 2); the outer ones are its corner pixels.

    shape: (gh, gw), or None for as many as a surface has.
    """
    shape = shape or count(size)[::-1]
    across, down = np.linspace(0, size[0] - 1, shape[1]), np.linspace(0, size[1] - 1, shape[0])
    return np.stack(np.meshgrid(across, down), -1)


def count(size):
    """How many nodes lie across and down a plane of (width, height)."""
    return NODES if size[0] >= size[1] else NODES[::-1]


def cells(points, size, across, down):
    """Where points (n, 2) lie in a grid of so many nodes: (x, y, i, j), the parts 0..1 of a cell and its first node."""
    x = np.clip(points[:, 0] / (size[0] - 1), 0, 1) * (across - 1)
    y = np.clip(points[:, 1] / (size[1] - 1), 0, 1) * (down - 1)
    i, j = np.minimum(x.astype(int), across - 2), np.minimum(y.astype(int), down - 2)
    return x - i, y - j, i, j
