"""Where the camera stood and how it was turned at each photo: one robust solve over all photos and lasting points.

A bundle adjustment (Triggs et al. 1999, "Bundle adjustment: a modern synthesis") with one focal length for all photos,
which is an unknown like the others where it is in doubt.
Coordinates are the reference camera's: x right, y down, z forward, its place the origin; the length unit is the hold
point's depth there. A point X of the world, (x, y, z, w) up to scale, is seen at K R (X_xyz - X_w p) by a photo whose
camera stands at p; w is 0 for what is infinitely far.
"""

import functools
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import lapack
from scipy.spatial.transform import Rotation

from kerbwalk import bundle

# Distance (pixels) at which a sight has lost most of its say, lowered step by step (graduated non-convexity,
# Blake & Zisserman 1987).
COARSE = (24.0, 12.0, 6.0, 3.0, 2.0)
FINE = (1.5,)
# So many steps for each, or fewer where one takes less than this part of the cost, most of which is of what moves.
STEPS = 8
SETTLED = 0.001
# What is known without looking: a place lies between its neighbours' to this part of the hold point's distance, and
# photographers level the camera to about this angle.
PLACE_SIGMA = 0.02
ROLL_SIGMA = np.radians(3.0)
# How far the walk may lead to the right, in parts of the hold point's distance, and how the nearness of points may grow
# away from the hold point, over a picture's width to either side, down and up: in a street between walls, of one wall,
# and on a square before one; and past a house's corner, to either side, of which the walls fall back: there a walk that
# is thought to lead nowhere turns most of what is seen inside out.
STARTS = (
    (0.0, 4.0, 6.0, 1.0),
    (0.0, 0.0, 0.0, 0.0),
    (0.0, 0.0, 1.5, 0.0),
    (0.3, 0.0, 1.5, 0.0),
    (-0.3, 0.0, 1.5, 0.0),
)
# The next is tried where less than this part of what is seen lies within so many standard deviations of what the last
# leads to, or where that leaves all cameras within this part of the hold point's distance, as walls that are none do;
# and it counts if it leaves less than this part of the cost.
ENOUGH, WITHIN = 0.75, 5.0
STANDING = 0.03
CLEARLY = 0.9
# About so many photos are solved together at first; the others follow from what these say of the world.
FIRST_PHOTOS = 40
# No more than so many are ever solved together, as the equations of all would take memory by the square of their
# number. Between them lie the others, who find their places by points that so many of these have seen. Then points and
# photos are settled by each other, so many times by turns, for so many sights at a time.
MOST_PHOTOS = 240
TOLD_BY = 3
TURNS = 5
BLOCK = 100_000
# The equations are put together in so many parts, side by side.
PARTS = 2
# A photo whose usual sight is so many times further off than that of most photos is not where it seems.
ASTRAY = 2.5
# Of the hold point's sights none is doubted: the tracker has done that.
HOLD = 0
# For who does not ask how points and photos hang together.
NO_CROSS = np.empty((3, 0, 6))


@dataclass
class Sights:
    """What is seen where, one line a sight: photo and point, int (m,); at, (m, 2) pixels; sigma, (m,) pixels.

    Point 0 is the hold point.
    """

    photo: np.ndarray
    point: np.ndarray
    at: np.ndarray
    sigma: np.ndarray

    def of(self, chosen):
        """Some of the sights. chosen: bool (m,), or a slice."""
        return Sights(self.photo[chosen], self.point[chosen], self.at[chosen], self.sigma[chosen])


@dataclass
class World:
    """turn: (n, 3, 3) world to camera; place: (n, 3) of the cameras; points: (k, 4) homogeneous, of length 1; camera:
    K, 3x3, pixels.
    """

    turn: np.ndarray
    place: np.ndarray
    points: np.ndarray
    camera: np.ndarray


def solve(sights, guesses, fixed, doubt=0.0, pool=map):
    """Cameras and points that agree best with all that is seen.

    sights: Sights; guesses: Worlds that differ in their places and points alone; fixed: index of the reference photo,
    which stays where it is and sees the hold point where it is; doubt: standard deviation of the logarithm of the
    guesses' focal length, 0 if it is sure; pool: a `map` that may do several things side by side.
    Returns (World, distance (m,) in pixels of each sight from where the world says it should be).
    Levenberg-Marquardt on the reprojection error with Geman-McClure weights; points are eliminated (Schur complement).
    Some of the photos come first; the others, and those that went astray, are placed by the points that these give, and
    then all together. So does the guessed focal length: cameras and points find each other before it may change, as a
    scene that is not yet a street says anything of it. Of a long walk not all are solved together (MOST_PHOTOS): the
    rest, and with it all, is settled by resection and intersection in turns (Triggs et al. 1999, section 8).
    """
    guess, count = guesses[0], len(guesses[0].turn)
    seen = np.bincount(sights.photo, minlength=count) > 0
    seen[fixed] = True
    known = np.flatnonzero(seen)
    some = _every(known, FIRST_PHOTOS, fixed, count)
    prior = np.log(guess.camera[0, 0]), doubt
    firsts = sights.of(some[sights.photo])
    world = _begun(firsts, guesses, (prior[0], 0.0), fixed, some, pool)
    astray = _astray(firsts, world, fixed)
    if astray.any():
        world = _placed(firsts, world, guess, some & ~astray, astray, fixed)
        world = _descend(firsts, world, (prior[0], 0.0), fixed, some, FINE, pool)
    if doubt:
        world = _descend(firsts, world, prior, fixed, some, COARSE, pool)
    many = _every(known, MOST_PHOTOS, fixed, count)
    if (many & ~some).any():
        world = _placed(sights, world, guess, some, many & ~some, fixed)
    world = _descend(sights.of(many[sights.photo]), world, prior, fixed, many, FINE, pool)
    if (seen & ~many).any():
        told = np.bincount(sights.point[many[sights.photo]], minlength=len(world.points)) >= TOLD_BY
        world = _placed(sights.of(told[sights.point]), world, guess, many, seen & ~many, fixed)
        untold = sights.of(~told[sights.point])
        for scale in np.repeat(COARSE, TURNS):
            world = _intersect(untold, world, scale)
        for scale in np.repeat(FINE, TURNS):
            world = _intersect(sights, world, scale)
            world = _resect(sights, world, scale, fixed)
    return world, np.hypot(*_missed(sights, world).T)


def guesses(sights, turn, scale, hold, camera, fixed):
    """Where a solve may begin: a World for each of STARTS.

    sights: Sights; turn: (n, 3, 3) that bring the hold point to where it is seen; scale: (n,) its size against the
    reference, which says how far the camera went towards it; hold: (2,) in the reference; camera: K; fixed: index of
    the reference.
    Points are put on the ray of the photo next to the reference that shows them, the nearer the further they lie from
    the hold point, above all downwards: so a street is built, and a guess the other way round could settle on
    the scene turned inside out. Walls where there are none, or none where there are, can hold the cameras at one place.
    """
    inverse = np.linalg.inv(camera)
    ray = inverse @ [*hold, 1]
    ahead = ray * (1 - 1 / np.asarray(scale))[:, None]
    right = np.outer((np.arange(len(turn)) - fixed) / len(turn), [1, 0, 0])
    order = np.lexsort((np.abs(sights.photo - fixed), sights.point))
    first = order[np.concatenate([[True], np.diff(sights.point[order]) > 0])]
    rays = np.column_stack([sights.at[first], np.ones(len(first))]) @ inverse.T
    rays = np.einsum("kji,kj->ki", turn[sights.photo[first]], rays)
    x, y = ((sights.at[first] - hold) / (2 * camera[0, 2] + 1)).T
    found = []
    for way, aside, down, up in STARTS:
        place = ahead + way * right
        nearness = 1 + aside * np.abs(x) + np.maximum(down * y, -up * y)
        points = np.zeros((sights.point.max() + 1, 4))
        points[:, 2] = 1
        points[sights.point[first], :3] = rays / nearness[:, None] + place[sights.photo[first]]
        points[sights.point[first], 3] = 1
        points[HOLD] = [*ray, 1]
        found.append(World(turn, place, points / np.linalg.norm(points, axis=1, keepdims=True), camera))
    return found


def spread(sights, world, counted):
    """Covariances of the points, (k, 3, 3), in the directions of tangents(); counted: bool (m,), sights that agree."""
    sights = sights.of(counted)
    inner = _normal(sights, _missed(sights, world), 1 / sights.sigma**2, world)[2] + 1e-6 * np.eye(3)
    return np.linalg.inv(inner + 1e-9 * np.einsum("kii->k", inner)[:, None, None] * np.eye(3))


def nearness(world, covariance, turn, place):
    """Inverse depth of the points before a camera: ((k,), and its standard deviation (k,))."""
    axis = turn[2]
    depth = (world.points[:, :3] - world.points[:, 3:] * place) @ axis
    depth = np.where(np.abs(depth) < 1e-9, 1e-9, depth)
    value = world.points[:, 3] / depth
    slope = np.column_stack([-(value / depth)[:, None] * axis, (1 + value * (place @ axis)) / depth])
    slope = np.einsum("ki,kij->kj", slope, tangents(world.points))
    return value, np.sqrt(np.einsum("ki,kij,kj->k", slope, covariance, slope))


def project(camera, turn, place, points):
    """Where points (k, 4) lie in a photo: (k, 2) pixels, NaN for those that lie behind it."""
    seen = (points[:, :3] - points[:, 3:] * place) @ (camera @ turn).T
    return seen[:, :2] / np.where(seen[:, 2:] > 1e-6, seen[:, 2:], np.nan)


def _missed(sights, world):
    seen, there = (sights.photo, sights.point, sights.at), (world.turn, world.place, world.points)
    return bundle.misses(*seen, *there, world.camera[0, 0], world.camera[:2, 2])


def _weights(sights, error, scale):
    """Geman-McClure, over the sights' own variance."""
    trust = 1 / (1 + (error**2).sum(1) / (scale**2)) ** 2
    return np.where(sights.point == HOLD, 1.0, trust) / sights.sigma**2


def _costs(sights, error, scale):
    square = (error**2).sum(1)
    return np.where(sights.point == HOLD, square, square / (1 + square / scale**2)) / sights.sigma**2


def _cost(sights, error, scale):
    return float(_costs(sights, error, scale).sum())


def _normal(sights, error, weight, world, cross=NO_CROSS):
    parts = world.turn, world.place, world.points, tangents(world.points), world.camera[0, 0]
    return bundle.normal(sights.photo, sights.point, error, weight, *parts, HOLD, cross)


def tangents(points):
    """(k, 4, 3): for each unit vector three unit vectors at right angles to it (Householder)."""
    sign = np.where(points[:, 3] >= 0, 1.0, -1.0)
    mirror = points.copy()
    mirror[:, 3] += sign
    scale = 2 / (mirror**2).sum(1)
    basis = -scale[:, None, None] * mirror[:, :, None] * mirror[:, None, :3]
    basis[:, range(3), range(3)] += 1
    return basis


def _begun(sights, guesses, prior, fixed, photos, pool):
    """The World that the first of the guesses leads to, or another one that leaves clearly less."""
    world, least = None, np.inf
    for guess in guesses:
        found = _descend(sights, guess, prior, fixed, photos, COARSE, pool)
        error = _missed(sights, found)
        left = _cost(sights, error, COARSE[-1])
        if left < CLEARLY * least:
            world, least = found, left
            walked = np.ptp(found.place[photos], axis=0).max() > STANDING
            if walked and (np.hypot(*error.T) < WITHIN * sights.sigma).mean() > ENOUGH:
                break
    return world


def _descend(sights, world, prior, fixed, photos, scales, pool):
    """Levenberg-Marquardt, some steps for each scale, tried again with more damping where one fails.

    prior: what the logarithm of the focal length is thought to be, and its standard deviation.
    """
    index = np.cumsum(photos) - 1
    sights = sights.of(np.lexsort((sights.photo, sights.point)))
    own, count = index[sights.photo], int(photos.sum())
    first = np.searchsorted(sights.point, np.arange(len(world.points) + 1))
    held = 6 * index[fixed] + np.arange(6) if prior[1] else np.append(6 * index[fixed] + np.arange(6), 6 * count)
    damping, settled = 1e-3, None
    # The two that grow most with the photos, used again and again. Of the system only the upper triangle is touched: of
    # a thousand photos it takes most of the time, and of the memory.
    system, cross = np.empty((6 * count + 1, 6 * count + 1)), np.empty((3, len(own), 6))
    for scale in np.repeat(scales, STEPS):
        if scale == settled:
            continue
        error = _missed(sights, world)
        weight = _weights(sights, error, scale)
        of_photo, pull_photo, of_point, pull_point, focal_point = _normal(sights, error, weight, world, cross)
        right = np.append(pull_photo[photos, :6].ravel(), pull_photo[:, 6].sum())
        cost = _cost(sights, error, scale) + _prior_cost(world, photos, prior)
        for _ in range(6):
            kept = of_point + (damping * np.einsum("kii->ki", of_point) + 1e-3)[:, :, None] * np.eye(3)
            inverse = np.linalg.inv(kept)
            inverse[HOLD] = 0
            rest = right.copy()
            eliminate = functools.partial(
                bundle.eliminate, first, own, cross, focal_point, inverse, pull_point, system, rest
            )
            list(pool(eliminate, range(PARTS), [PARTS] * PARTS))
            _add_priors(system, rest, world, photos, prior)
            blocks = of_photo[photos, :6, :6]
            blocks = blocks + (damping * np.einsum("kii->ki", blocks))[:, :, None] * np.eye(6)
            for c in range(count):
                system[6 * c : 6 * c + 6, 6 * c : 6 * c + 6] += blocks[c]
            system[:-1, -1] += of_photo[photos, :6, 6].ravel()
            system[-1, -1] += (1 + damping) * of_photo[:, 6, 6].sum()
            system[held, held] += 1e18
            # Of a system that is not positive it leaves a step that is tried as any other, and damped if it does harm.
            _, change, _ = lapack.dposv(system.T, -rest, lower=1, overwrite_a=1)
            pull = bundle.pulled(first, own, cross, focal_point, pull_point, change)
            moved = -np.einsum("kij,kj->ki", inverse, pull)
            longer, change = np.exp(change[-1]), change[:-1].reshape(-1, 6)
            turn, place, points = world.turn.copy(), world.place.copy(), world.points.copy()
            turn[photos] = turned(change[:, :3]) @ turn[photos]
            place[photos] += change[:, 3:]
            points += np.einsum("kij,kj->ki", tangents(points), moved)
            points[HOLD, :2] /= longer
            points /= np.linalg.norm(points, axis=1, keepdims=True)
            tried = World(turn, place, points, world.camera * np.array([[longer, 1, 1], [1, longer, 1], [1, 1, 1]]))
            after = _cost(sights, _missed(sights, tried), scale) + _prior_cost(tried, photos, prior)
            if after < cost:
                world, damping = tried, max(damping / 10, 1e-9)
                break
            damping *= 10
        if not after < (1 - SETTLED) * cost:
            settled = scale
    return world


def _bent(place, photos):
    """By how much each place lies off the line between its neighbours', for photos unevenly left out.

    place: (n, 3) of the photos. Returns (n - 2, 3), and the parts (3, n - 2) in it of the three places.
    """
    step = np.diff(np.flatnonzero(photos).astype(float))
    before, after = step[:-1], step[1:]
    parts = np.stack([after / (before + after), np.full(len(before), -1.0), before / (before + after)])
    return sum(part[:, None] * place[k : k + len(before)] for k, part in enumerate(parts)), parts


def _add_priors(system, right, world, photos, prior):
    """Add the normal equations of what is known without looking; of the system, the upper triangle."""
    turn, (bent, parts) = world.turn[photos], _bent(world.place[photos], photos)
    blocks = system[:-1, :-1].reshape(len(turn), 6, len(turn), 6)
    pull, row = right[:-1].reshape(-1, 6), np.arange(len(bent))
    for one in range(3):
        pull[row + one, 3:] += parts[one][:, None] * bent / PLACE_SIGMA**2
        for other in range(one, 3):
            for axis in (3, 4, 5):
                blocks[row + one, axis, row + other, axis] += parts[one] * parts[other] / PLACE_SIGMA**2
    slope = np.stack([np.zeros(len(turn)), turn[:, 2, 1], -turn[:, 1, 1]], 1)
    row = np.arange(len(turn))
    blocks[row, :3, row, :3] += slope[:, :, None] * slope[:, None] / ROLL_SIGMA**2
    pull[:, :3] += slope * turn[:, 0, 1, None] / ROLL_SIGMA**2
    if prior[1]:
        system[-1, -1] += 1 / prior[1] ** 2
        right[-1] += (np.log(world.camera[0, 0]) - prior[0]) / prior[1] ** 2


def _prior_cost(world, photos, prior):
    bent, _ = _bent(world.place[photos], photos)
    longer = (np.log(world.camera[0, 0]) - prior[0]) / prior[1] if prior[1] else 0.0
    return float((bent**2).sum() / PLACE_SIGMA**2 + (world.turn[photos, 0, 1] ** 2).sum() / ROLL_SIGMA**2 + longer**2)


def _astray(sights, world, fixed):
    """Which photos have settled where they do not fit: bool (n,). What they usually show lies by far further off than
    that of most photos. A walk that turns the cameras ever more is begun metres off at its ends, and a photo may be
    left behind while the others find each other.
    """
    distance = np.hypot(*_missed(sights, world).T) / sights.sigma
    photos = np.unique(sights.photo)
    usual = np.array([np.median(distance[sights.photo == k]) for k in photos])
    astray = np.zeros(len(world.turn), bool)
    astray[photos] = usual > ASTRAY * np.median(usual)
    astray[fixed] = False
    return astray


def _every(known, most, fixed, count):
    """The reference, and of the known photos no more than `most`, evenly over the walk: bool (count,)."""
    chosen = np.zeros(count, bool)
    chosen[known[:: -(-len(known) // most)]] = True
    chosen[fixed] = True
    return chosen


def _placed(sights, world, guess, known, wanted, fixed):
    """Photos placed anew by what the others say of the world. known, wanted: bool (n,), who says, and who is placed."""
    world = _between(world, guess, known, wanted)
    own = sights.of(wanted[sights.photo])
    for scale in COARSE + FINE:
        world = _resect(own, world, scale, fixed)
    return world


def _between(world, begun, known, wanted):
    """Where further photos may begin, from what the solve has made of their neighbours: between their places, and with
    their own guessed turns corrected as theirs were.

    world: World; begun: the guess that it began with; known, wanted: bool (n,). Returns a World.
    """
    at, k = np.flatnonzero(known), np.arange(len(known))
    corrected = Rotation.from_matrix(begun.turn[at].transpose(0, 2, 1) @ world.turn[at]).as_rotvec()
    place, angles = (_interpolated(k, at, values) for values in (world.place[at], corrected))
    further = wanted[:, None]
    turn = np.where(further[:, :, None], begun.turn @ turned(angles), world.turn)
    return replace(world, turn=turn, place=np.where(further, place, world.place))


def _interpolated(k, at, values):
    return np.stack([np.interp(k, at, column) for column in values.T], 1)


def _resect(sights, world, scale, fixed):
    """One step for each photo but the reference alone, the points kept."""
    blocks, force = _sums(sights, world, scale)[:2]
    blocks, force = blocks[:, :6, :6], force[:, :6]
    blocks += 1e-6 * np.einsum("kii->ki", blocks)[:, :, None] * np.eye(6) + np.diag([1e4] * 3 + [1e3] * 3)
    change = -np.linalg.solve(blocks, force[:, :, None])[:, :, 0]
    change[fixed] = 0
    return replace(world, turn=turned(change[:, :3]) @ world.turn, place=world.place + change[:, 3:])


def _intersect(sights, world, scale):
    """One step for each point alone, the photos kept; a point that it leads astray stays where it is."""
    blocks, force, before = _sums(sights, world, scale)[2:]
    blocks += (1e-3 * np.einsum("kii->ki", blocks) + 1e-3)[:, :, None] * np.eye(3)
    change = -np.linalg.solve(blocks, force[:, :, None])[:, :, 0]
    points = world.points + np.einsum("kij,kj->ki", tangents(world.points), change)
    tried = replace(world, points=points / np.linalg.norm(points, axis=1, keepdims=True))
    better = _sums(sights, tried, scale)[4] < before
    better[HOLD] = False
    return replace(world, points=np.where(better[:, None], tried.points, world.points))


def _sums(sights, world, scale):
    """[blocks of the photos, their pulls, those of the points, their pulls, what each point costs], each alone."""
    total = None
    for start in range(0, len(sights.photo), BLOCK):
        some = sights.of(slice(start, start + BLOCK))
        error = _missed(some, world)
        found = [*_normal(some, error, _weights(some, error, scale), world)[:4]]
        found.append(np.bincount(some.point, _costs(some, error, scale), len(world.points)))
        total = found if total is None else [one + other for one, other in zip(total, found, strict=True)]
    return total


def turned(angles):
    """Rotations (k, 3, 3) by small vectors (k, 3) (Rodrigues)."""
    size = np.linalg.norm(angles, axis=1)[:, None, None]
    x, y, z = angles.T
    zero = np.zeros_like(x)
    cross = np.array([[zero, -z, y], [z, zero, -x], [-y, x, zero]]).transpose(2, 0, 1)
    return np.eye(3) + np.sinc(size / np.pi) * cross + 0.5 * np.sinc(size / (2 * np.pi)) ** 2 * cross @ cross
