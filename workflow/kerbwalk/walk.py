"""From what the tracker saw to where the cameras stood, the even walk beside that, and one warp a photo.

Photos are numbered as in the clip; where the clip leaves out its reference, that one is number -1, after all others.
"""

from dataclasses import dataclass

import numpy as np

from kerbwalk import cameras, mesh, parallax, path, steady
from kerbwalk.homography import transfer

# What the hold point is found to at best, pixels, and what a corner is found to, pixels of a picture 1280 wide or less.
HOLD_SIGMA, CORNER_SIGMA = 0.02, 0.3
# A sight within this many corner sigmas agrees; photos where fewer of them do, a smaller part of what is usual, or so
# few, are not where they seem. Those of another place have 0.43 of it, the worst of others 0.7.
AGREES = 5.0
LEAST_SHARE, LEAST_OF_USUAL, LEAST = 0.25, 0.5, 8
MISFIT = "what it shows does not fit the other photos (it is of another place, or much moves in it)"
# A hold point this far (corner sigmas) from where all the rest says is another one, and all is solved without it. One
# that is so many times the usual further off, and by so many corner sigmas, is read worse than the rest tells it.
OTHER_HOLD = 8.0
ODD_HOLD, LEAST_ODD = 3.0, 0.5
# How well a focal length is known, as the standard deviation of its logarithm: from EXIF, and guessed.
TOLD, GUESSED = 0.05, 0.3


@dataclass
class Tracked:
    """What the tracker says of each photo (kerbwalk.track.Placed), n photos.

    seen: bool (n,), whether it could be placed, else the rest of it is NaN; sure: bool (n,), whether the hold point was
    registered straight; said: bool (n,), whether the photographer says where it lies; hold: (n, 2) pixels; lean: (n,)
    radians; scale, sigma: (n,); level: (n, 2, 2) pixels, NaN where not seen.
    """

    seen: np.ndarray
    sure: np.ndarray
    said: np.ndarray
    hold: np.ndarray
    lean: np.ndarray
    scale: np.ndarray
    sigma: np.ndarray
    level: np.ndarray


@dataclass
class Solved:
    """Where the cameras stood: world; covariance (k, 3, 3) of its points and lasts (k, 2), the first and last photo
    that shows them (see parallax.surfaces); sure: bool (n,) as tracked, but for hold points that are others or that the
    rest tells better; agreeing: (n,) part of a photo's sights that agree; problems: {photo: text}.
    """

    world: cameras.World
    covariance: np.ndarray
    lasts: np.ndarray
    sure: np.ndarray
    agreeing: np.ndarray
    problems: dict


@dataclass
class Even:
    """The even walk: turn (n, 3, 3) and place (n, 3) of its cameras; camera: (n, 3, 3), their K, zoomed where the level
    points want it; scale: (n,) size of the hold point's surroundings against the reference; off: (n,) a photo's
    distance from it; shake: its usual size.
    """

    turn: np.ndarray
    place: np.ndarray
    camera: np.ndarray
    scale: np.ndarray
    off: np.ndarray
    shake: float


def corner_sigma(width):
    """What a corner is found to in photos so wide, pixels."""
    return CORNER_SIGMA * max(1, width / 1280)


def solve(tracked, sights, count, hold, camera, fixed, corner, told, pool=map):
    """Cameras and points; who does not fit is in `problems`, or has its hold point where the others say.

    tracked: Tracked; sights: (photo (m,), point (m,), at (m, 2)) of lasting corners; count: photos of the clip; hold:
    (2,) in the reference; camera: K; fixed: index of the reference; corner: what a corner is found to, pixels; told:
    whether the focal length is EXIF's; pool: see cameras.solve. Returns Solved.
    """
    photo, point, at = sights
    inverse, many = np.linalg.inv(camera), len(tracked.seen)
    turn, scale, sure = np.tile(np.eye(3), (many, 1, 1)), np.ones(many), tracked.sure.copy()
    for k in np.flatnonzero(tracked.seen):
        warp = steady.rotation_to(tracked.hold[k], tracked.lean[k], hold, camera)
        turn[k], scale[k] = np.linalg.inv(inverse @ warp @ camera), tracked.scale[k]
    for _ in range(2):
        held = np.flatnonzero(sure)
        sigma = np.append(np.maximum(HOLD_SIGMA, tracked.sigma[held]), np.full(len(photo), corner))
        numbers = np.append(np.full(len(held), cameras.HOLD), point + 1)
        seen = cameras.Sights(np.append(held, photo), numbers, np.vstack([tracked.hold[held], at]), sigma)
        starts = cameras.guesses(seen, turn, scale, hold, camera, fixed)
        world, distance = cameras.solve(seen, starts, fixed, TOLD if told else GUESSED, pool)
        other = distance[: len(held)] > OTHER_HOLD * corner
        if not other.any():
            break
        sure[held[other]] = False
    off = distance[: len(held)]
    sure[held[off > max(ODD_HOLD * np.median(off), LEAST_ODD * corner)]] = False
    agrees = distance < AGREES * corner
    own = (seen.point != cameras.HOLD) & tracked.seen[seen.photo]
    shown, fit = (np.bincount(seen.photo[some], minlength=many) for some in (own, own & agrees))
    agreeing = np.where(shown > 0, fit / np.maximum(shown, 1), 1.0)
    least = max(LEAST_SHARE, LEAST_OF_USUAL * np.median(agreeing[tracked.seen]))
    misfits = np.flatnonzero((shown > LEAST) & ((agreeing < least) | (fit < LEAST)))
    problems = dict.fromkeys(misfits.tolist(), MISFIT)
    points = len(world.points)
    lasts = np.column_stack([np.full(points, many + 99), np.full(points, -99)])
    often = np.bincount(seen.point[agrees], minlength=points) >= min(4, count)
    use = agrees & often[seen.point] & (seen.photo < count)
    np.minimum.at(lasts[:, 0], seen.point[use], seen.photo[use])
    np.maximum.at(lasts[:, 1], seen.point[use], seen.photo[use])
    return Solved(world, cameras.spread(seen, world, agrees), lasts, sure, agreeing, problems)


def way(place, known, smooth):
    """How far the walk has come at each photo, (n,), along its main direction.

    place: (n, 3); known: bool (n,), by which photos the walk is known; smooth: frames (path.smoothed).
    """
    even = path.smoothed(place, smooth, known)
    along = even - even[0]
    main = np.linalg.svd(along - along.mean(0))[2][0]
    return (place - even[0]) @ (main if main @ along[-1] >= 0 else -main)


def even_out(solved, tracked, known, shown, hold, level, fixed, smooth, stays, limit=None):
    """The even walk.

    known: bool (n,), photos of the clip by whose places the walk is known; shown: bool (n,), which of them have a
    frame; hold: (2,) and level: (2, 2) or None, pixels of the reference; fixed: its index; smooth: frames
    (path.smoothed); stays: whether all cameras stay where the reference is; limit: of parallax.limits(), or None.
    Returns Even.
    """
    world, count = solved.world, len(known)
    place = path.smoothed(world.place[:count], smooth, known, shown, limit)
    off = np.linalg.norm(world.place[:count] - place, axis=1)
    if stays:
        place = np.tile(world.place[fixed], (count, 1))
    target = np.linalg.inv(world.camera) @ [*hold, 1]
    upright = steady.vertical(world.turn[:count][known])
    turn = np.array([steady.aimed(p, target, hold, upright, world.camera) for p in place])
    camera = np.tile(world.camera, (count, 1, 1))
    if level is not None:
        turn, camera = _levelled(turn, camera, world, tracked.level[:count], shown, hold, level, smooth)
    depth = np.einsum("ki,ki->k", turn[:, 2], target - place)
    scale = camera[:, 0, 0] / world.camera[0, 0] / depth
    return Even(turn, place, camera, scale, off, float(np.sqrt(np.mean(off[known & shown] ** 2))))


def _levelled(turn, camera, world, seen, shown, hold, level, smooth):
    """The even cameras turned and zoomed about the hold point, so that the line between the level points keeps its
    direction and length. What the photos say of it is smoothed, as single ones may be wrong.
    """
    inverse, found = np.linalg.inv(world.camera), np.full((len(turn), 2), np.nan)
    wanted = level[1] - level[0]
    for k in np.flatnonzero(np.isfinite(seen).all((1, 2))):
        rays = np.column_stack([seen[k], np.ones(2)]) @ inverse.T
        on_plane = rays @ (world.camera @ turn[k] @ world.turn[k].T).T
        along = np.diff(on_plane[:, :2] / on_plane[:, 2:], axis=0)[0]
        angle = np.arctan2(along[1], along[0]) - np.arctan2(wanted[1], wanted[0])
        found[k] = np.angle(np.exp(1j * angle)), np.log(np.hypot(*along) / np.hypot(*wanted))
    known = np.isfinite(found).all(1)
    if not known[shown].any():
        return turn, camera
    angle, longer = path.smoothed(found, smooth, known, shown).T
    turn = np.array([steady.rolled(one, -a, hold, world.camera) for one, a in zip(turn, angle, strict=True)])
    zoom = np.tile(np.eye(3), (len(turn), 1, 1))
    zoom[:, [0, 1], [0, 1]] = np.exp(-longer)[:, None]
    zoom[:, :2, 2] = hold * (1 - np.exp(-longer))[:, None]
    return turn, zoom @ camera


def lean_on_hold(solved, even, tracked, hold, alone):
    """Cameras of photos of which nothing but the hold point says how they were aimed: on the even walk.

    alone: (n,) bool. Changes solved.world.
    """
    world, inverse = solved.world, np.linalg.inv(solved.world.camera)
    for k in np.flatnonzero(alone):
        back = steady.rotation_to(tracked.hold[k], tracked.lean[k], hold, world.camera)
        world.place[k] = even.place[k]
        world.turn[k] = np.linalg.inv(inverse @ back @ world.camera) @ even.turn[k]


def warp(surface, seen, even, camera, size, hold=None, anchor=None, bends=True):
    """(matrix, grid or None) that takes the plane to a photo.

    surface: (normal, off) of parallax.surfaces; seen: (turn, place) of the photo's camera; even: (turn, place, K) of
    the even one; camera: K; size: of the plane; hold: (2,) where the hold point was found in the photo, to which it is
    brought to the last hundredth of a pixel, or None; anchor: (2,) where it lies on the plane; bends: whether shifts
    are wanted.
    """
    matrix, grid = parallax.warp(*surface, seen, even, camera, size)
    grid = grid if bends else None
    if hold is not None:
        off = hold - to_photo(matrix, grid, anchor, size)
        matrix = np.array([[1, 0, off[0]], [0, 1, off[1]], [0, 0, 1]]) @ matrix
        matrix /= matrix[2, 2]
    return matrix, grid


def ahead(surface, even, k, size, bends):
    """How the steadied picture goes on from photo k to the next: {matrix, a list, grid or None}, from the plane as it
    shows the one to the plane as it shows the other; None for the last.

    surface: (normal, off) as the even camera k sees it; even: Even; size: of the plane; bends: whether shifts are
    wanted.
    """
    if k + 1 == len(even.turn):
        return None
    matrix, grid = parallax.warp(
        *surface,
        (even.turn[k + 1], even.place[k + 1]),
        (even.turn[k], even.place[k], even.camera[k]),
        even.camera[k + 1],
        size,
    )
    return {"matrix": matrix.tolist(), "grid": np.round(grid, 3) if bends else None}


def to_photo(matrix, grid, point, size):
    """Where a point (2,) of the plane lies in the photo."""
    found = transfer(matrix, point[None])[0]
    return found if grid is None else found + mesh.at(grid, point[None], size)[0]
