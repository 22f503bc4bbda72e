"""The invented camera: lens, aim and colour.

World axes: x right, y away from the photographer's start, z up, in metres. Camera axes: x right,
y down, z forward. A world point X lies at x = R X + t in the camera and at K x / x_z in the picture;
pixel centres are at integers, and a fraction fx of the width is x = fx W - 0.5.

A lens that is not perfect shows what should lie at a distance r from the middle, 1 in the corner, at
q = r (1 + d[0] r + d[1] r^2 + ...); in red and in blue at q (1 + e[0] + e[1] q + ...); and with
1 + k[0] q^2 + k[1] q^4 + ... of its light.
"""

import cv2
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
    u = (0.860117757 + 1.54118254e-4 * k + 1.28641212e-7 * k * k) / (1 + 8.42420235e-4 * k + 7.08145163e-7 * k * k)
    v = (0.317398726 + 4.22806245e-5 * k + 4.20481691e-8 * k * k) / (1 - 2.89741816e-5 * k + 1.61456053e-7 * k * k)
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


def room(lens: tuple[tuple[float, ...], ...], size: tuple[int, int]) -> int:
    """By how many pixels, an even number, a lens looks beyond each border of a perfect one's picture (W, H)."""
    if not lens:
        return 0
    return 2 * int(np.ceil(max(0.0, _straight(1.0, lens[0]) - 0.99) * np.hypot(*size) / 4))


def through_lens(clean: np.ndarray, lens: tuple[tuple[float, ...], ...], pattern: np.ndarray, room: int) -> np.ndarray:
    """What a lens makes of a mosaic that a perfect one would have given, pattern (2, 2) its colours.

    clean: (H + 2 room, W + 2 room) float32. Each colour is taken from the clean mosaic's own pixels of it, linearly in
    between: a cubic would leave dark rings around lamps. Returns (H, W).
    """
    height, width = (side - 2 * room for side in clean.shape)
    distortion, red, blue, vignetting = lens
    middle = np.array([width - 1, height - 1]) / 2
    y, x = np.indices((height, width), float)
    q = np.hypot(x - middle[0], y - middle[1]) / np.hypot(*middle)
    result = np.empty((height, width), np.float32)
    for row, column in np.ndindex(2, 2):
        terms = (red, (), blue)[pattern[row, column]]
        part = np.s_[row::2, column::2]
        here = q[part]
        green = here
        for _ in range(20):  # from this colour's place to green's
            green = here / (1 + _series(terms, green))
        factor = np.where(here > 0, _straight(green, distortion) / np.maximum(here, 1e-12), 1)
        places = [
            ((room + middle[k] + (at[part] - middle[k]) * factor - first) / 2).astype(np.float32)
            for k, (at, first) in enumerate(((x, column), (y, row)))
        ]
        own = cv2.remap(np.ascontiguousarray(clean[part]), *places, cv2.INTER_LINEAR)
        result[part] = own * (1 + here**2 * _series(vignetting, here**2))
    return result


def _straight(q, distortion):
    """The distance that the lens draws to q."""
    r = q
    for _ in range(60):
        r = q / (1 + r * _series(distortion, r))
    return r


def drawn(points: np.ndarray, lens: tuple[tuple[float, ...], ...], size: tuple[int, int]) -> np.ndarray:
    """Where points (n, 2) of a perfect lens's picture of size (W, H) lie in that of this lens, in green."""
    if not lens:
        return points
    middle = (np.array(size) - 1) / 2
    r = np.linalg.norm(points - middle, axis=-1, keepdims=True) / np.hypot(*middle)
    return middle + (points - middle) * (1 + r * _series(lens[0], r))


def _series(terms: tuple[float, ...], x: np.ndarray) -> np.ndarray:
    """terms[0] + terms[1] x + ..."""
    return sum((term * x**k for k, term in enumerate(terms)), 0 * x)
