"""Homographies: 3x3 matrices that take points (x, y, 1) of one picture to another, up to scale."""

import numpy as np


def transfer(matrix, points):
    """Points (n, 2) through a 3x3 homography, in float64."""
    points = np.asarray(points, np.float64)
    mapped = points @ matrix[:, :2].T + matrix[:, 2]
    return mapped[:, :2] / mapped[:, 2:]


def jacobian(matrix, point):
    """The 2x2 derivative of a homography at a point (2,)."""
    x, y, w = matrix @ np.array([point[0], point[1], 1.0])
    return np.array(
        [
            (matrix[0, :2] * w - matrix[2, :2] * x) / w**2,
            (matrix[1, :2] * w - matrix[2, :2] * y) / w**2,
        ]
    )
