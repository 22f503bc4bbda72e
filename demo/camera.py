"""The invented camera: lens, aim and colour.

World axes: x right, y away from the photographer's start, z up, in metres. Camera axes: x right,
y down, z forward. A world point X lies at x = R X + t in the camera and at K x / x_z in the picture;
pixel centres are at integers, and a fraction fx of the width is x = fx W - 0.5.
"""

import numpy as np

FILM_DIAGONAL_MM = float(np.hypot(36, 24))

# CIE XYZ to camera RGB under D65 (the sense of DNG ColorMatrix1): invented, with the usual shape of such
# a matrix (positive diagonal, moderate cross terms).
XYZ_TO_CAMERA = np.array([[0.7820, -0.2310, -0.0640], [-0.4520, 1.2430, 0.2360], [-0.0880, 0.1790, 0.5980]])


def intrinsics(size: tuple[int, int], film_mm: float) -> np.ndarray:
    """K, (3, 3), in pixels, of a lens with the given 35 mm equivalent, for a picture of size (W, H).

    Equivalence is by the diagonal (43.27 mm), which for 3:2 is the same as by the 36 mm width.
    """
    width, height = size
    focal = film_mm * np.hypot(width, height) / FILM_DIAGONAL_MM
    return np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])


def aim(place: np.ndarray, target: np.ndarray, K: np.ndarray, pixel: np.ndarray) -> np.ndarray:
    """R, (3, 3), of a camera at `place` (3,), without roll, that sees `target` (3,) at `pixel` (2,)."""
    u, v = (pixel[0] - K[0, 2]) / K[0, 0], (pixel[1] - K[1, 2]) / K[1, 1]
    ray = (target - place) / np.linalg.norm(target - place)
    # With pitch p the world's up is (0, -cos p, sin p) in the camera; its product with the wanted
    # direction (u, v, 1) must be the target's height over distance.
    pitch = np.arctan(v) + np.arcsin(ray[2] * np.sqrt(1 + u * u + v * v) / np.hypot(1, v))
    forward = v * np.sin(pitch) + np.cos(pitch)
    yaw = np.arctan2(ray[0], ray[1]) - np.arctan2(u, forward)
    return turn(0, pitch, 0) @ np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]]) @ _about_up(yaw)


def turn(yaw: float, pitch: float, roll: float) -> np.ndarray:
    """(3, 3) rotation of a camera by radians: first to the right, then up, then about the optical axis."""
    cy, sy, cp, sp, cr, sr = (f(a) for a in (yaw, pitch, roll) for f in (np.cos, np.sin))
    about_y = np.array([[cy, 0, -sy], [0, 1, 0], [sy, 0, cy]])
    about_x = np.array([[1, 0, 0], [0, cp, sp], [0, -sp, cp]])
    about_z = np.array([[cr, sr, 0], [-sr, cr, 0], [0, 0, 1]])
    return about_z @ about_x @ about_y


def project(K: np.ndarray, R: np.ndarray, t: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(n, 3): x and y in pixels and depth in metres, of world points (n, 3)."""
    seen = (points @ R.T + t) @ K.T
    return np.column_stack([seen[:, :2] / seen[:, 2:], seen[:, 2]])


def _about_up(yaw: float) -> np.ndarray:
    """World rotation about z that brings the direction `yaw` right of +y onto +y."""
    c, s = np.cos(yaw), np.sin(yaw)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def rgb_to_xyz() -> np.ndarray:
    """(3, 3): linear BT.709 RGB to CIE XYZ with Y of white 1, from the primaries of ITU-R BT.709-6."""
    chromaticity = np.array([[0.640, 0.330], [0.300, 0.600], [0.150, 0.060]])
    columns = np.column_stack([chromaticity, 1 - chromaticity.sum(1)]).T
    white = np.array([0.3127, 0.3290, 1 - 0.3127 - 0.3290]) / 0.3290
    return columns * np.linalg.solve(columns, white)


def lamp_xyz(kelvin: float) -> np.ndarray:
    """(3,) CIE XYZ with Y = 1 of a black body.

    Rational approximation of the Planckian locus in CIE 1960 u, v by M. Krystek, "An algorithm to
    calculate correlated colour temperature", Color Research & Application 10(1), 1985; it agrees
    with that method in colour-science, and within 0.0002 with the locus itself from 2200 K to 6500 K.
    """
    k = kelvin
    u = (0.860117757 + 1.54118254e-4 * k + 1.28641212e-7 * k * k) / (
        1 + 8.42420235e-4 * k + 7.08145163e-7 * k * k
    )
    v = (0.317398726 + 4.22806245e-5 * k + 4.20481691e-8 * k * k) / (
        1 - 2.89741816e-5 * k + 1.61456053e-7 * k * k
    )
    x, y = np.array([3 * u, 2 * v]) / (2 * u - 8 * v + 4)
    return np.array([x / y, 1, (1 - x - y) / y])


def lamp_rgb(kelvin: float) -> np.ndarray:
    """(3,) linear BT.709 RGB of a black body with luminance 1, nothing below zero."""
    return np.maximum(np.linalg.solve(rgb_to_xyz(), lamp_xyz(kelvin)), 0)


def neutral(kelvin: float) -> np.ndarray:
    """(3,) camera RGB of a white under a lamp, the greatest 1 (DNG AsShotNeutral)."""
    seen = XYZ_TO_CAMERA @ lamp_xyz(kelvin)
    return seen / seen.max()


def rgb_to_sensor(kelvin: float) -> np.ndarray:
    """(3, 3): linear BT.709 RGB to fractions of the sensor's range.

    A white of luminance 1 under a lamp of `kelvin` just fills the green pixels.
    """
    return XYZ_TO_CAMERA @ rgb_to_xyz() / (XYZ_TO_CAMERA @ lamp_xyz(kelvin)).max()
