"""Where the hold point lies by where the cameras stood, for what stands by itself before other things.

About a monument on a square most corners are of the houses behind, and lead elsewhere than it goes itself; and what
is seen of them beside it may look as if it were what is looked for. But they tell where the cameras stood, and the
corners next to the point how far off it is, so that it can be looked for where it must be.
Takes as long as kerbwalk.steady's own solve, so it is asked only where the point does not go with what is next to it.
"""

from dataclasses import dataclass

import numpy as np

from kerbwalk import cameras, registration, steady, track, walk
from kerbwalk.homography import jacobian, transfer

# What lies within so many patches about the point goes with it, if it is no further off than this part of the width
# from where that would lead it; so few corners say nothing.
ABOUT, OFF, LEAST = 2.0, 0.003, 3
# Depths are tried of so many corners next to a point, on so many photos spread over the walk; and then so many, within
# this part of the best, on all of them, in so many rounds.
TRIED, LOOKED = 12, 9
STEPS, FINELY, ROUNDS = 121, 0.03, 3
# Further off than so many times the usual is another thing.
ODD = 3.0


@dataclass
class Cameras:
    """world: cameras.World; photos: those that are placed in it; at (m, 2), nearness (m,): the reference's corners and
    how near they are; corner: what they are found to, pixels.
    """

    world: cameras.World
    photos: list
    at: np.ndarray
    nearness: np.ndarray
    corner: float

    def matrix(self, k, nearness):
        """How a photo shows what lies straight across the reference's view, so near: 3x3."""
        world = self.world
        off = np.eye(3) - np.outer(world.place[k], [0, 0, nearness])
        return world.camera @ world.turn[k] @ off @ np.linalg.inv(world.camera)

    def lead(self, k, nearness, point):
        """Where a point (2,) of the reference that is so near lies in a photo: (2,)."""
        return transfer(self.matrix(k, nearness), point[None])[0]


def doubtful(placed, followed, reference, hold, width):
    """Whether the hold point was lost: seen in less than half of the photos that could be placed, or in most of them
    where it does not go with the corners next to it.

    placed: of track.place; followed: follow.Followed; reference: index; hold: (2,) there; width: of the proxies.
    """
    next_to = (followed.photo == reference) & (np.hypot(*(followed.at - hold).T) < ABOUT * track.PATCH * width)
    seen, strange = [], []
    for k, one in enumerate(placed):
        if k == reference or isinstance(one, str):
            continue
        seen.append(one.likeness > 0)
        there = followed.photo == k
        _, i, j = np.intersect1d(followed.point[next_to], followed.point[there], return_indices=True)
        if len(i) >= LEAST:
            off = followed.at[there][j] - transfer(one.matrix(hold), followed.at[next_to][i])
            strange.append(np.median(np.hypot(*off.T)) > OFF * width)
    return 2 * sum(seen) < len(seen) or 2 * sum(strange) > len(strange)


def place(grey, followed, placed, reference, hold, focal35, level=None, pool=map):
    """The same as placed, of track.place, with the hold point where the cameras lead; `placed` where photos bear that
    out less.

    grey, followed, reference, hold, level, pool: as for track.place; focal35: mm, or None.
    """
    first = grey(reference)
    radius = track.PATCH * first.shape[1]
    seen_by = surveyed(followed, placed, reference, hold, first.shape[::-1], focal35, pool)
    points = [np.asarray(point, float) for point in (hold, *([] if level is None else level))]

    def seen(k, nearness, point):
        found = registration.refine_patch(first, grey(k), seen_by.matrix(k, nearness), point, radius)
        return found if found and found[1] > track.MIN_LIKENESS else None

    found, *levels = (found_by(seen_by, seen, point, OFF * first.shape[1], pool) for point in points)
    if not found:
        return placed

    def better(k):
        ways = found[k][1], placed[k].matrix(hold)
        return np.subtract(*(registration.agreement(first, grey(k), way, hold, radius) for way in ways))

    if sum(pool(better, found)) <= 0:
        return placed
    sights, result = np.bincount(followed.photo, minlength=len(placed)), list(placed)
    for k, (position, matrix, likeness, sigma) in found.items():
        lean, stretch = track.turned(jacobian(matrix, hold), 0.0)
        line = [one[k][0] for one in levels if k in one and one[k][2] > 0]
        line = np.array(line) if level is not None and len(line) == len(level) else None
        result[k] = track.Placed(position, lean, float(np.exp(stretch)), int(sights[k]), likeness, sigma, line)
    return result


def surveyed(followed, placed, reference, hold, size, focal35, pool):
    """Cameras, as all corners tell them, without what the photos show of the hold point. size: of the proxies."""
    count = len(placed)
    seen, only = np.array([not isinstance(one, str) for one in placed]), np.arange(count) == reference
    hold_at, lean, scale = np.full((count, 2), np.nan), np.full(count, np.nan), np.full(count, np.nan)
    for k in np.flatnonzero(seen):
        hold_at[k], lean[k], scale[k] = placed[k].hold, placed[k].lean, placed[k].scale
    none = np.full((count, 2, 2), np.nan)
    known = walk.Tracked(seen, only, ~seen & seen, hold_at, lean, scale, np.zeros(count), none)
    camera, corner = steady.camera_matrix(*size, focal35), walk.corner_sigma(size[0])
    sights = followed.photo, followed.point, followed.at
    solved = walk.solve(known, sights, count, hold, camera, reference, corner, focal35 is not None, pool)
    world = solved.world
    nearness, _ = cameras.nearness(world, solved.covariance, world.turn[reference], world.place[reference])
    own = followed.photo == reference
    number, at = followed.point[own] + 1, followed.at[own]
    lasting = solved.lasts[number, 0] <= solved.lasts[number, 1]
    photos = [int(k) for k in np.flatnonzero(seen & ~only) if k not in solved.problems]
    return Cameras(world, photos, at[lasting], nearness[number[lasting]], corner)


def found_by(seen_by, seen, point, reach, pool):
    """Where a point (2,) of the reference lies: {photo: (position (2,), matrix 3x3, likeness, sigma)}, with a likeness
    of 0 where it was not seen; nothing where no depth leads anywhere.

    seen_by: Cameras; seen: a function from a photo, a nearness and a point to (position, likeness, sigma) or None;
    reach: pixels at which what is seen has lost half of its say; pool: a `map`.
    The depth is that of the corner next to it which the most photos bear out, and then what they agree on best.
    """
    photos = seen_by.photos

    def looked(some, nearness):
        return [(k, one) for k, one in zip(some, pool(lambda k: seen(k, nearness, point), some), strict=True) if one]

    def off(found, nearness):
        return np.array([np.hypot(*(one[0] - seen_by.lead(k, nearness, point))) for k, one in found]) / reach

    some = [photos[k] for k in np.unique(np.linspace(0, len(photos) - 1, LOOKED).astype(int))] if photos else []
    next_to = seen_by.nearness[np.argsort(np.hypot(*(seen_by.at - point).T), kind="stable")[:TRIED]]
    say = [(1 / (1 + off(looked(some, nearness), nearness) ** 2)).sum() for nearness in next_to]
    if max(say, default=0) < LEAST:
        return {}
    nearness = next_to[np.argmax(say)]
    for _ in range(ROUNDS):
        found = looked(photos, nearness)
        tried = nearness * np.linspace(1 - FINELY, 1 + FINELY, STEPS)
        say = [(1 / (1 + off(found, one) ** 2)).sum() for one in tried]
        nearness = tried[np.argmax(say)]
    away = dict(zip((k for k, _ in found), off(found, nearness) * reach, strict=True))
    found = {k: one for k, one in found if away[k] < reach}
    # What is of several depths follows none of them: then the cameras tell better where the point is.
    usual = np.median([away[k] for k in found])
    most = ODD * usual if usual < seen_by.corner / 2 else 0.0
    result = {}
    for k in photos:
        matrix, likeness = seen_by.matrix(k, nearness), found[k][1] if k in found else 0.0
        position, sigma = transfer(matrix, point[None])[0], seen_by.corner
        if k in found and away[k] < most:
            position, _, sigma = found[k]
        result[k] = position, matrix, likeness, sigma
    return result
