"""The ground that is walked on: most of what is near, and the least that is seen of it.

Paving in the dark shows a corner here and there, too few for a surface to be drawn to them. But it is flat, and so a
few of them, from the whole walk, say where all of it lies.
"""

import numpy as np

# Angles between the reference's view and the ground that are tried (radians), and heights at each.
TILTS, HEIGHTS = np.linspace(-0.5, 0.5, 101), 60
# What is nearer than the hold point by this factor tells of the ground, and what is by more than the other no more.
NEARER, CLEARLY = 1.5, 7.0
# How flat it is, and how far beyond it what is not seen through it may seem to lie, in heights of the camera.
FLAT, BEYOND = 0.03, 0.2
ROUNDS = 5
# It is believed where so many points lie on it, and it is no more askew to the reference than this: walls are flat too.
LEAST, ASKEW = 12, 0.1


def plane(world, lasts, even):
    """The plane of the ground: (3,), whose product with a place on it is 1 (the world's axes), or None.

    world: cameras.World; lasts: (k, 2), first and last photo that show a point, see parallax.surfaces; even: walk.Even.
    The plane that most points agree on (Fischler & Bolles 1981, "Random sample consensus", but that all planes are
    tried that are level across the reference and go through one of the points), less those that are seen through it:
    a row of sills is as flat, but the wall goes on below. Then reweighted least squares (Geman-McClure).
    """
    middle = np.clip(lasts.sum(1) // 2, 0, len(even.turn) - 1)
    ahead = np.einsum("ki,ki->k", even.turn[middle, 2], world.points[:, :3] - world.points[:, 3:] * even.place[middle])
    near = (lasts[:, 0] <= lasts[:, 1]) & (world.points[:, 3] * ahead > NEARER * ahead**2)
    # A point's place times its nearness in the midst of the photos that show it, and the nearness.
    place, nearness = world.points[near, :3] / ahead[near, None], world.points[near, 3] / ahead[near]

    def judged(planes):
        """How much points say of planes (..., 3), and how far beyond them they lie, in parts of the height."""
        said = place @ np.moveaxis(np.atleast_2d(planes), -1, 0)
        return np.clip(said - 1, 0, CLEARLY - 1), said / nearness[:, None] - 1

    best, found = 0.0, None
    for tilt in TILTS:
        down = np.array([0, np.cos(tilt), np.sin(tilt)])
        below = place @ down
        heights = np.sort(below[below > 0] / nearness[below > 0])
        if not len(heights):
            continue
        planes = down / heights[:: -(-len(heights) // HEIGHTS), None]
        say, beyond = judged(planes)
        agree = (say * (np.exp(-((beyond / FLAT) ** 2)) - 2 * (beyond > BEYOND))).sum(0)
        if agree.max() > best:
            best, found = agree.max(), planes[np.argmax(agree)]
    if found is None:
        return None
    for _ in range(ROUNDS):
        say, beyond = (part[:, 0] for part in judged(found))
        weighted = place * (say / (1 + (beyond / FLAT) ** 2) ** 2)[:, None]
        found = np.linalg.solve(weighted.T @ place + 1e-9 * np.eye(3), weighted.T @ nearness)
    say, beyond = judged(found)
    lie = (say > 0) & (np.abs(beyond) < FLAT)
    return found if lie.sum() >= LEAST and abs(found[0]) < ASKEW * np.linalg.norm(found) else None


def seen_from(plane, turn, place):
    """A plane's inverse depth as a camera sees it: (3,), times the ray K^-1 (x, y, 1)."""
    return turn @ plane / (1 - plane @ place)
