"""What a lens does to a picture, and where things would lie without it: distortion, lateral colour, vignetting.

A lens is a dict of numbers, as lens.json and warps.json keep it. Distances from `middle` (pixel x, y) are in parts of
`radius` (pixels), which is that of a corner pixel's centre:
  distortion  [d1, d2, ...]: what a lens without distortion would show at a distance r ("straight") lies in the photo
              at r (1 + d1 r + d2 r^2 + ...), in the same direction
  lateral     {red: [e0, e1, ...], blue: [...]} or null: what lies at a distance q in the photo's green lies in its
              red at q (1 + e0 + e1 q + ...)
  vignetting  [k1, k2, ...]: of the middle's light 1 + k1 q^2 + k2 q^4 + ... is left at a distance q of the photo
In these forms go the models in use: Lensfun's poly3, poly5 and ptlens, linear and poly3 for lateral colour, and pa for
vignetting differ in units alone.
"""

import numpy as np

# A lens that takes more light than this from a corner, or draws it together more, is none that can be undone.
LEAST_LIGHT, LEAST_SLOPE = 0.02, 0.1
# How far out, in radii of the photo, its numbers are to hold: where an even camera looks beyond a photo's corner.
REACH = 1.25
ROUNDS = 12


def plain(size):
    """A lens that changes nothing. size: (width, height) of the photos, pixels."""
    width, height = size
    return {
        "middle": [(width - 1) / 2, (height - 1) / 2],
        "radius": float(np.hypot(width - 1, height - 1) / 2),
        "distortion": [],
        "lateral": None,
        "vignetting": [],
    }


def changes(lens):
    """Whether the lens changes anything."""
    return bool(lens["distortion"] or lens["lateral"] or lens["vignetting"])


def check(lens):
    """Raise ValueError with what is wrong where a lens could not be undone."""
    r = np.linspace(0, REACH, 200)
    if _polynomial([1, *(d * (k + 2) for k, d in enumerate(lens["distortion"]))], r).min() < LEAST_SLOPE:
        raise ValueError("its distortion folds the picture onto itself")
    if _light(lens, np.linspace(0, 1, 200)).min() < LEAST_LIGHT:
        raise ValueError("its vignetting leaves no light in the corners")


def to_photo(lens, points, colour="green"):
    """Where straight points (..., 2) lie in the photo, pixels, in its green, red or blue."""
    away = (np.asarray(points, float) - lens["middle"]) / lens["radius"]
    if lens["distortion"]:
        away *= _polynomial([1, *lens["distortion"]], np.linalg.norm(away, axis=-1, keepdims=True))
    if lens["lateral"] and colour != "green":
        away *= 1 + _polynomial(lens["lateral"][colour], np.linalg.norm(away, axis=-1, keepdims=True))
    return lens["middle"] + lens["radius"] * away


def to_straight(lens, points):
    """Where points (..., 2) of the photo lie without distortion, pixels: Newton's iteration on the distance."""
    away = (np.asarray(points, float) - lens["middle"]) / lens["radius"]
    q = np.linalg.norm(away, axis=-1, keepdims=True)
    terms = [1, *lens["distortion"]]
    r = q
    for _ in range(ROUNDS if lens["distortion"] else 0):
        slope = _polynomial([(k + 1) * term for k, term in enumerate(terms)], r)
        r = r - (r * _polynomial(terms, r) - q) / np.maximum(slope, LEAST_SLOPE)
    return lens["middle"] + lens["radius"] * away * (r / np.maximum(q, 1e-12) if lens["distortion"] else 1)


def light(lens, points):
    """What part of the middle's light the lens leaves at points (..., 2) of the photo: (...), never nothing."""
    q = np.linalg.norm((np.asarray(points, float) - lens["middle"]) / lens["radius"], axis=-1)
    return np.maximum(_light(lens, q), LEAST_LIGHT)


def borders(lens, size):
    """By how much the largest straight rectangle inside the photo is the smaller: left, top, right, lower, pixels.

    size: (width, height). A border that the lens drew inwards gives numbers below 0. Red and blue lie inside, too.
    """
    width, height = size
    along, found = np.linspace(0, 1, 65), []
    for axis, edge, sign in ((0, -0.5, 1), (1, -0.5, 1), (0, width - 0.5, -1), (1, height - 0.5, -1)):
        border = np.full((len(along), 2), edge)
        border[:, 1 - axis] = along * (size[1 - axis] - 1)
        straight = to_straight(lens, border)
        beyond = [sign * (edge - to_photo(lens, straight, colour)[:, axis]) for colour in ("red", "green", "blue")]
        found.append((sign * (straight[:, axis] - edge)).max() + np.max(beyond))
    return np.array(found)


def _light(lens, q):
    return _polynomial([1, *lens["vignetting"]], np.square(q))


def _polynomial(terms, x):
    """terms[0] + terms[1] x + ..."""
    result = np.zeros_like(x)
    for term in reversed(terms):
        result = result * x + term
    return result
