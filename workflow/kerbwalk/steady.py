"""From where the cameras stood to the warps that show what an even walk would have shown.

The camera stands on a tripod that is aimed again at each step. A turn of it can be undone exactly, by the homography
K R K^-1 (Hartley & Zisserman 2004, 8.4). An error of its place cannot; but where the depths are known
(kerbwalk.cameras) it is known how each part of the picture moved by it, and a homography of the hold point's
surroundings and a smooth grid of local shifts (kerbwalk.parallax) take that back. What the walk itself changes (size,
perspective, parallax) is left, and made even (kerbwalk.path).
"""

import numpy as np

from kerbwalk.homography import jacobian
from kerbwalk.path import slope

# Aim this far from the others' (robust standard deviations, and part of the picture's width) is a bump.
BUMP_SIGMAS = 6.0
BUMP_PART = 0.02
# Photos whose longer side is shorter show too little to go by; those of a demo of this many pixels still make a clip.
SMALL = 96


def camera_matrix(width, height, focal35=None):
    """K, 3x3, in photo pixels; the principal point is the picture's middle.

    focal35: 35 mm-equivalent focal length in mm as EXIF gives it (by the diagonal of 24 x 36 mm, 43.27 mm), or
    None for 28 mm: a wrong focal length only shows towards the edges, and in second order.
    """
    focal = (focal35 or 28.0) / np.hypot(36, 24) * np.hypot(width, height)
    return np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])


def rotation_to(hold, lean, anchor, camera):
    """The camera's turn that brings a photo's hold point to the anchor, and its upright upright.

    hold: (2,) photo pixels; lean: radians (see track.Placed); anchor: (2,) where the hold point shall lie; camera: K.
    Returns the 3x3 homography from photo pixels to the steadied plane.
    """
    inverse = np.linalg.inv(camera)
    seen, wanted = (_unit(inverse @ [*p, 1]) for p in (hold, anchor))
    turn = _between(seen, wanted)
    direction = np.array([-np.sin(lean), np.cos(lean)])
    for _ in range(8):
        ahead = jacobian(camera @ turn @ inverse, hold) @ direction
        angle = np.arctan2(-ahead[0], ahead[1])
        turn = _about(wanted, -angle) @ turn
    return camera @ turn @ inverse


def vertical(turn):
    """The world's upright as the photographer levelled the camera by it: unit vector (3,), down, reference axes.

    turn: (n, 3, 3) world to camera. The cameras' horizontal axes should all be level; as the reference stays as it was
    taken, what is left to find is how far its view is raised. A walk straight on hardly tells (and hardly needs to
    know), so views are taken for level but for some 6 degrees (standard deviation).
    """
    raised = np.linspace(-0.4, 0.4, 161)
    down = np.stack([np.cos(raised), np.sin(raised)])
    roll = turn[:, 0, 1:] @ down
    cost = np.minimum((roll / 0.01) ** 2, 4).sum(0) + (raised / 0.1) ** 2
    return np.append(0.0, down[:, np.argmin(cost)])


def aimed(place, target, anchor, upright, camera):
    """The turn (3, 3) of a camera that sees a target at an anchor, and the upright through it as the reference does.

    place, target, upright: (3,); anchor: (2,) pixels, where the reference, at the origin, sees the target; camera: K.
    """
    return _frame(np.linalg.inv(camera) @ [*anchor, 1], upright) @ _frame(target - place, upright).T


def rolled(turn, angle, anchor, camera):
    """A turn followed by one about the anchor's ray, so that the picture turns clockwise by `angle` radians."""
    return _about(_unit(np.linalg.inv(camera) @ [*anchor, 1]), angle) @ turn


def bumped(holds, width):
    """Which photos were aimed far off the others, as a knocked tripod leaves it.

    holds: (n, 2) positions of the hold point, NaN where unknown; width: of the photo, pixels.
    Returns bool (n,). The aim may wander slowly with the walk, so each is judged against the median of
    the nine around it; and evenly, as past a point that is not the one that is aimed at, so that is taken off
    first: the first and last have others on one side only.
    """
    holds = np.array(holds, float)
    known = np.flatnonzero(np.isfinite(holds[:, 0]))
    if len(known) > 2:
        holds -= np.outer(np.arange(len(holds)), [slope(axis, known) for axis in holds[known].T])
    around = np.array([np.nanmedian(holds[max(0, k - 4) : k + 5], axis=0) for k in range(len(holds))])
    off = np.hypot(*(holds - around).T)
    sigma = 1.4826 * np.nanmedian(off)
    return np.nan_to_num(off) > max(BUMP_SIGMAS * sigma, BUMP_PART * width)


def covered(likeness):
    """Which photos show nothing of the hold point's surroundings, where that lasts for no more than two photos.

    likeness: (n,) of track.Placed, NaN where a photo could not be placed at all. Over a longer stretch, such as a bus
    that stops in front, the rest of the picture has to place the photos; for one or two their neighbours do better.
    Returns bool (n,).
    """
    hidden = ~(np.nan_to_num(np.asarray(likeness, float), nan=0.0) > 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], hidden, [0]])))
    short = np.zeros(len(hidden), bool)
    for start, end in edges.reshape(-1, 2):
        short[start:end] = end - start <= 2
    return short


def too_few(usable, size):
    """What is wrong where too few photos could be placed for a clip, a sentence; None where enough could.

    usable: bool (n,); size: (width, height) of the photos.
    """
    if usable.sum() >= 2:
        return None
    said = f"only {usable.sum()} of {len(usable)} photos show the hold point's surroundings"
    if max(size) < SMALL:
        return f"{said}: {size[0]} x {size[1]} pixels are too small for that; copy the photos here in their full size"
    return f"{said}; choose another 'hold' or 'reference' in the settings"


def timeline(names, usable, leave_out):
    """The clip's frames, each as the photos that make it with their shares.

    names: photos in order; usable: bool (n,); leave_out: True to shorten the clip, False to let the two nearest
    usable neighbours, mixed by nearness, stand in for a photo that cannot be used.
    Returns a list of lists of (name, share).
    """
    good = np.flatnonzero(usable)
    frames = []
    for k, name in enumerate(names):
        if usable[k]:
            frames.append([(name, 1.0)])
        elif not leave_out:
            before, after = good[good < k], good[good > k]
            if len(before) and len(after):
                b, a = before[-1], after[0]
                frames.append([(names[b], float((a - k) / (a - b))), (names[a], float((k - b) / (a - b)))])
            else:
                frames.append([(names[before[-1] if len(before) else after[0]], 1.0)])
    return frames


def even_pace(along, usable):
    """Which photos to keep so that the clip goes on at an even pace.

    along: (n,) way walked up to each photo; usable: bool (n,). Returns bool (n,).
    Of all ways to go from the first to the last photo in steps of up to four the cheapest, by dynamic programming
    (as Joshi et al. 2015, "Real-time hyperlapse creation via optimal frame selection", choose frames): a step costs the
    square of how far its logarithm is from the usual one's, a photo dropped a little.
    """
    at = np.flatnonzero(usable)
    way = np.asarray(along, float)[at]
    usual = max(float(np.median(np.abs(np.diff(way)))), 1e-12)
    cost, best = np.zeros(len(at)), np.zeros(len(at), int)
    for j in range(1, len(at)):
        steps = range(max(0, j - 4), j)
        costs = [cost[i] + np.log(max(abs(way[j] - way[i]) / usual, 0.05)) ** 2 + 0.1 * (j - i - 1) for i in steps]
        best[j] = steps[int(np.argmin(costs))]
        cost[j] = min(costs)
    kept, j = np.zeros(len(usable), bool), len(at) - 1
    kept[at[0]] = True
    while j > 0:
        kept[at[j]] = True
        j = best[j]
    return kept


def _frame(ray, upright):
    """Axes (columns) along a ray, along the upright across it, and to their side."""
    ray = _unit(ray)
    down = _unit(upright - (upright @ ray) * ray)
    return np.stack([ray, down, np.cross(ray, down)], 1)


def _unit(vector):
    return vector / np.linalg.norm(vector)


def _between(one, other):
    """The smallest rotation that takes one unit vector to another."""
    axis = np.cross(one, other)
    sine, cosine = np.linalg.norm(axis), one @ other
    return np.eye(3) if sine < 1e-15 else _about(axis / sine, np.arctan2(sine, cosine))


def _about(axis, angle):
    """Rotation about a unit axis (Rodrigues)."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
