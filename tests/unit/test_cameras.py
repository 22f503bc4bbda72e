"""The solve for cameras and points, on an invented street whose every point and camera is known."""

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.sparse import lil_array

from kerbwalk import cameras, steady, walk

SIZE = (1200, 800)
CAMERA = steady.camera_matrix(*SIZE, 27.0)
PHOTOS, FIXED = 24, 12
HOLD = np.array([610.0, 330.0])


def street(rng, count):
    """Points of two walls, the ground and a far front, (count, 3) metres; x right, y down, z ahead."""
    kind, z = rng.integers(0, 4, count), rng.uniform(6, 38, count)
    across, up = rng.uniform(-9, 11, count), rng.uniform(-9, 1.6, count)
    x = np.choose(kind, [np.full(count, -5.0), np.full(count, 6.0), across, across])
    y = np.choose(kind, [up, up, np.full(count, 1.6), up])
    return np.column_stack([x, y, np.where(kind == 3, 40.0, z)])


def walked(how, rng):
    """(turn, place) of a walk with shaken places and aims; the reference stands at the origin, untouched."""
    step = {"ahead": [0, 0, 0.2], "aside": [0.15, 0, 0], "both": [0.12, 0, 0.12]}[how]
    place = np.outer(np.arange(PHOTOS) - FIXED, step) + rng.normal(0, 0.012, (PHOTOS, 3))
    place[FIXED] = 0
    target = 40 * np.linalg.inv(CAMERA) @ [*HOLD, 1]
    aim = [steady.aimed(p, target, HOLD, np.array([0.0, 1, 0]), CAMERA) for p in place]
    turn = cameras.turned(rng.normal(0, 0.004, (PHOTOS, 3))) @ aim
    turn[FIXED] = np.eye(3)
    return turn, place, target


def seen(turn, place, points, rng, noise, wrong, camera=CAMERA):
    photo, point, at = [], [], []
    for k in range(PHOTOS):
        there = cameras.project(camera, turn[k], place[k], np.column_stack([points, np.ones(len(points))]))
        with np.errstate(invalid="ignore"):
            inside = np.flatnonzero(((there > 5) & (there < np.array(SIZE) - 5)).all(1))
        photo.append(np.full(len(inside), k))
        point.append(inside)
        at.append(there[inside] + rng.normal(0, noise, (len(inside), 2)))
    photo, point, at = map(np.concatenate, (photo, point, at))
    astray = (rng.random(len(photo)) < wrong) & (point != cameras.HOLD)
    at[astray] += rng.normal(0, 25, (astray.sum(), 2))
    return cameras.Sights(photo, point, at, np.where(point == cameras.HOLD, 0.02, 0.3)), astray


def begun(sights, camera):
    """As the tracker begins: turns that hold the hold point and level it, size from its scale."""
    holds = sights.at[sights.point == cameras.HOLD]
    inverse = np.linalg.inv(camera)
    return np.array([np.linalg.inv(inverse @ steady.rotation_to(h, 0.0, HOLD, camera) @ camera) for h in holds])


@pytest.mark.parametrize(("how", "together"), [("ahead", 24), ("aside", 24), ("both", 24), ("aside", 12), ("both", 12)])
def test_cameras_of_a_walk(monkeypatch, how, together):
    """A fifth of the sights leads astray; the shake is known again to a fifth of itself, also where every second photo
    of a long walk is placed between the others.
    """
    monkeypatch.setattr(cameras, "FIRST_PHOTOS", together)
    monkeypatch.setattr(cameras, "MOST_PHOTOS", together)
    rng = np.random.default_rng(8)
    turn, place, target = walked(how, rng)
    points = np.vstack([target, street(rng, 350)])
    sights, astray = seen(turn, place, points, rng, 0.1, 0.2)
    scale = 40 / (40 - place[:, 2])
    starts = cameras.guesses(sights, begun(sights, CAMERA), scale, HOLD, CAMERA, FIXED)
    world, distance = cameras.solve(sights, starts, FIXED)
    shaken = np.diff(40 * world.place - place, 2, axis=0)
    assert np.sqrt(np.square(shaken).mean()) < 0.2 * 0.012 * np.sqrt(6)
    assert np.median(distance[~astray]) < 0.2
    assert (distance[astray] > 3).mean() > 0.9
    covariance = cameras.spread(sights, world, distance < 1.5)
    near, sigma = cameras.nearness(world, covariance, np.eye(3), np.zeros(3))
    sure = np.bincount(sights.point) > 8
    error = np.abs(near - 40 / points[: len(near), 2])[sure]
    assert np.median(error / near[sure]) < 0.02
    # the error that it states is the error that it makes
    assert 0.1 < np.median(error / sigma[sure]) < 1.0


@pytest.mark.parametrize(("how", "turning"), [("ahead", 0.004), ("both", 0.005)])
def test_photos_that_come_later_begin_where_the_first_lead(monkeypatch, how, turning):
    """Every third photo is solved first. All cameras are guessed as turned, ever more along the walk, as they are where
    it leads aside of the hold point: by 3 degrees at its ends.
    """
    monkeypatch.setattr(cameras, "FIRST_PHOTOS", 8)
    rng = np.random.default_rng(0)
    turn, place, target = walked(how, rng)
    sights, astray = seen(turn, place, np.vstack([target, street(rng, 250)]), rng, 0.1, 0.2)
    off = cameras.turned(np.outer(np.arange(PHOTOS) - FIXED, [turning, 0.7 * turning, 0]))
    starts = cameras.guesses(sights, begun(sights, CAMERA) @ off, 40 / (40 - place[:, 2]), HOLD, CAMERA, FIXED)
    _, distance = cameras.solve(sights, starts, FIXED)
    assert min(np.mean(distance[(sights.photo == k) & ~astray] < 1) for k in range(PHOTOS)) > 0.95


@pytest.mark.parametrize(
    ("film_mm", "before", "wrong", "off"),
    [(27, 60, 0.2, 0.05), (50, 60, 0.2, 0.05), (85, 60, 0.05, 0.05), (50, 0, 0.05, 0.3), (85, 0, 0.05, 0.3)],
)
def test_a_walk_along_a_wall_with_little_before_it(film_mm, before, wrong, off):
    """Were its sides begun as a street's, they would hold all cameras at one place, 3 m off, through a long lens with
    nine tenths of all sights in agreement. A wall alone tells less of where the camera stood.
    """
    rng = np.random.default_rng(5)
    camera = steady.camera_matrix(*SIZE, film_mm)
    place = np.outer(np.arange(PHOTOS) - FIXED, [0.25, 0, 0]) + rng.normal(0, 0.012, (PHOTOS, 3))
    place[FIXED] = 0
    target = 40 * np.linalg.inv(camera) @ [*HOLD, 1]
    turn = np.array([steady.aimed(p, target, HOLD, np.array([0.0, 1, 0]), camera) for p in place])
    facade = np.column_stack([rng.uniform(-25, 25, 500), rng.uniform(-15, 2, 500), np.full(500, 40.0)])
    ground = np.column_stack([rng.uniform(-8, 8, before), np.full(before, 1.6), rng.uniform(5, 20, before)])
    sights, _ = seen(turn, place, np.vstack([target, facade, ground]), rng, 0.1, wrong, camera)
    starts = cameras.guesses(sights, begun(sights, camera), np.ones(PHOTOS), HOLD, camera, FIXED)
    world, _ = cameras.solve(sights, starts, FIXED, walk.TOLD)
    assert np.abs(40 * world.place - place).max() < off


@pytest.mark.parametrize(("step", "wrong"), [((0.2, 0, 0.1), 0.2), ((-0.2, 0, 0.1), 0.2), ((0.18, 0, 0.06), 0.4)])
def test_a_walk_past_the_corner_of_a_house(step, wrong):
    """Two walls fall back from the hold point, and much stands before them. Begun as a walk that leads nowhere, two to
    four metres of it are lost, and half of all sights agree.
    """
    rng = np.random.default_rng(0)
    place = np.outer(np.arange(PHOTOS) - FIXED, step) + rng.normal(0, 0.012, (PHOTOS, 3))
    place[FIXED] = 0
    target = 17 * np.linalg.inv(CAMERA) @ [*HOLD, 1]
    turn = np.array([steady.aimed(p, target, HOLD, np.array([0.0, 1, 0]), CAMERA) for p in place])
    turn = cameras.turned(rng.normal(0, 0.01, (PHOTOS, 3))) @ turn
    turn[FIXED] = np.eye(3)
    x = rng.uniform(-14, 16, 250)
    house = np.column_stack([x, rng.uniform(-8, 1.5, 250), target[2] + np.abs(x - target[0])])
    before = rng.uniform([-12, -5, 7], [12, 1.6, 12], (200, 3))
    sights, _ = seen(turn, place, np.vstack([target, house, before]), rng, 0.1, wrong)
    starts = cameras.guesses(sights, begun(sights, CAMERA), 17 / (17 - place[:, 2]), HOLD, CAMERA, FIXED)
    world, _ = cameras.solve(sights, starts, FIXED)
    assert np.abs(17 * world.place - place).max() < 0.05


def test_photos_left_behind_are_placed_by_the_others(monkeypatch):
    """The first descent leaves two neighbours half a metre aside, turned towards the hold point; none that follows
    moves anything.
    """
    rng = np.random.default_rng(8)
    turn, place, target = walked("aside", rng)
    sights, astray = seen(turn, place, np.vstack([target, street(rng, 250)]), rng, 0.1, 0.2)
    starts = cameras.guesses(sights, begun(sights, CAMERA), 40 / (40 - place[:, 2]), HOLD, CAMERA, FIXED)
    settled, _ = cameras.solve(sights, starts, FIXED)
    for k in (19, 20):
        settled.place[k, 0] += 0.5 / 40
        settled.turn[k] = steady.aimed(settled.place[k], target / 40, HOLD, np.array([0.0, 1, 0]), CAMERA)
    monkeypatch.setattr(
        cameras, "_descend", lambda sights, world, *_: settled if any(world is one for one in starts) else world
    )
    world, distance = cameras.solve(sights, starts, FIXED)
    assert np.abs(40 * world.place - place)[[19, 20]].max() < 0.1
    assert max(np.median(distance[(sights.photo == k) & ~astray]) for k in (19, 20)) < 1


@pytest.mark.parametrize(("off", "doubt"), [(1.2, walk.TOLD), (0.8, walk.TOLD), (28 / 24, walk.GUESSED)])
def test_focal_length_is_found(off, doubt):
    """EXIF is off by a fifth, or says nothing; the walk goes aside, which turns the cameras against each other."""
    rng = np.random.default_rng(8)
    turn, place, target = walked("both", rng)
    sights, _ = seen(turn, place, np.vstack([target, street(rng, 350)]), rng, 0.1, 0.2)
    wrong = CAMERA * np.array([[off, 1, 1], [1, off, 1], [1, 1, 1]])
    starts = cameras.guesses(sights, begun(sights, wrong), 40 / (40 - place[:, 2]), HOLD, wrong, FIXED)
    world, _ = cameras.solve(sights, starts, FIXED, doubt)
    assert world.camera[0, 0] == pytest.approx(CAMERA[0, 0], rel=0.02)
    assert world.camera[1, 1] == world.camera[0, 0]
    assert (world.camera[:2, 2] == CAMERA[:2, 2]).all()
    # the reference still sees the hold point where it is, but for its noise here
    at = cameras.project(world.camera, world.turn[FIXED], world.place[FIXED], world.points[[cameras.HOLD]])
    np.testing.assert_allclose(at, HOLD[None], atol=0.1)
    shaken = np.diff(40 * world.place - place, 2, axis=0)
    assert np.sqrt(np.square(shaken).mean()) < 0.2 * 0.012 * np.sqrt(6)


def test_minimum_is_scipys():
    """Without outliers, SciPy's least squares from the solution finds no lower cost than this solve found."""
    rng = np.random.default_rng(3)
    turn, place, target = walked("both", rng)
    points = np.vstack([target, street(rng, 40)])
    sights, _ = seen(turn, place, points, rng, 0.05, 0.0)
    often = np.bincount(sights.point) >= 3
    sights = sights.of(often[sights.point])
    used = np.unique(sights.point)
    sights.point = np.searchsorted(used, sights.point)
    starts = cameras.guesses(sights, begun(sights, CAMERA), 40 / (40 - place[:, 2]), HOLD, CAMERA, FIXED)
    world, _ = cameras.solve(sights, starts, FIXED)
    count = len(used)

    def moved(change):
        camera, point = change[: 6 * PHOTOS].reshape(-1, 6), change[6 * PHOTOS :].reshape(-1, 3)
        points = world.points + np.einsum("kij,kj->ki", cameras.tangents(world.points), point)
        return cameras.World(cameras.turned(camera[:, :3]) @ world.turn, world.place + camera[:, 3:], points, CAMERA)

    def error(change):
        change = change.copy()
        change[6 * FIXED : 6 * FIXED + 6] = change[6 * PHOTOS : 6 * PHOTOS + 3] = 0
        there = moved(change)
        at = np.array(
            [
                cameras.project(CAMERA, there.turn[k], there.place[k], there.points[[i]])[0]
                for k, i in zip(sights.photo, sights.point, strict=True)
            ]
        )
        return ((at - sights.at) / sights.sigma[:, None]).ravel()

    pattern = lil_array((2 * len(sights.photo), 6 * PHOTOS + 3 * count), dtype=int)
    for row, (k, i) in enumerate(zip(sights.photo, sights.point, strict=True)):
        for line in (2 * row, 2 * row + 1):
            pattern[line, 6 * k : 6 * k + 6] = 1
            pattern[line, 6 * PHOTOS + 3 * i : 6 * PHOTOS + 3 * i + 3] = 1
    nothing = np.zeros(6 * PHOTOS + 3 * count)
    found = least_squares(error, nothing, jac_sparsity=pattern, x_scale="jac", max_nfev=4)
    ours = np.square(error(nothing)).sum()
    # what is left between the two is the say of the priors and of the last robust weights
    assert ours < 1.1 * 2 * found.cost


def test_tangents_are_square_to_their_points():
    points = np.random.default_rng(1).normal(size=(50, 4))
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    basis = cameras.tangents(points)
    np.testing.assert_allclose(np.einsum("ki,kij->kj", points, basis), 0, atol=1e-12)
    np.testing.assert_allclose(basis.transpose(0, 2, 1) @ basis, np.tile(np.eye(3), (50, 1, 1)), atol=1e-12)


def test_turned_is_scipys():
    from scipy.spatial.transform import Rotation

    angles = np.random.default_rng(2).normal(0, 1, (20, 3))
    np.testing.assert_allclose(cameras.turned(angles), Rotation.from_rotvec(angles).as_matrix(), atol=1e-12)
