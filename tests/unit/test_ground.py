"""The ground of streets whose cameras are known, by the few points that are seen of it."""

import numpy as np
import pytest

from kerbwalk import cameras, ground, mesh, parallax, steady, walk

SIZE = np.array([1200, 800])
CAMERA = steady.camera_matrix(*SIZE, 27.0)
HOLD = np.array([600.0, 350.0])
PHOTOS = 9
HEIGHT = 0.045  # of the camera, in parts of the hold point's distance


def street(rng, paving, walls=300, pitch=0.1):
    """(points on the ground, points on walls to either side and ahead), (n, 3), as a camera sees them that looks up."""
    turn = cameras.turned(np.array([[pitch, 0.0, 0.0]]))[0]
    on_ground = np.column_stack(
        [rng.uniform(-0.2, 0.2, paving), np.full(paving, HEIGHT), 1 / rng.uniform(1.6, 9, paving)]
    )
    side = np.column_stack(
        [rng.choice([-0.25, 0.25], walls), HEIGHT - rng.uniform(0, 0.3, walls), rng.uniform(0.2, 1, walls)]
    )
    ahead = np.column_stack([rng.uniform(-0.25, 0.25, walls), HEIGHT - rng.uniform(0, 0.4, walls), np.ones(walls)])
    return on_ground @ turn.T, np.vstack([side, ahead]) @ turn.T


def found(points, used=None):
    """What is said of the ground by points (n, 3), or those used (n,), that all of an even walk straight on sees."""
    place = np.outer(np.linspace(-0.1, 0.1, PHOTOS), [0, 0, 1.0])
    turn = np.tile(np.eye(3), (PHOTOS, 1, 1))
    even = walk.Even(turn, place, np.tile(CAMERA, (PHOTOS, 1, 1)), np.ones(PHOTOS), np.zeros(PHOTOS), 5e-4)
    points = np.column_stack([points, np.ones(len(points))])
    world = cameras.World(turn, place, points / np.linalg.norm(points, axis=1, keepdims=True), CAMERA)
    lasts = np.tile([0, PHOTOS - 1], (len(points), 1))
    if used is not None:
        lasts[~used] = PHOTOS + 99, -99
    return ground.plane(world, lasts, even)


@pytest.mark.parametrize("pitch", [0.0, 0.15, -0.3])
def test_few_points_tell_where_all_of_it_lies(pitch):
    rng = np.random.default_rng(3)
    paving, walls = street(rng, 25, pitch=pitch)
    kerbs = paving[:6] * 0.93  # a little higher
    plane = found(np.vstack([paving + rng.normal(0, 2e-4, paving.shape), kerbs, walls]))
    np.testing.assert_allclose(paving @ plane, 1, atol=0.03)


def test_points_that_are_used_nowhere_do_not_count():
    paving, walls = street(np.random.default_rng(4), 40)
    points = np.vstack([paving, walls])
    used = np.arange(len(points)) >= len(paving)
    assert found(points) is not None
    assert found(points, used) is None


def test_a_row_of_sills_is_no_ground():
    """It is as flat, and more is seen of it; but the wall, and what stands at its foot, are seen below it."""
    rng = np.random.default_rng(5)
    paving, walls = street(rng, 25, pitch=0.0)
    sills = np.column_stack([np.full(60, 0.25), np.full(60, HEIGHT / 3), rng.uniform(0.15, 0.6, 60)])
    np.testing.assert_allclose(paving @ found(np.vstack([paving, sills, walls])), 1, atol=0.03)


def test_of_too_few_points_nothing_is_said():
    paving, walls = street(np.random.default_rng(6), 8)
    assert found(np.vstack([paving, walls[walls[:, 2] > 0.9]])) is None


def test_a_camera_that_walks_sees_it_where_it_is():
    plane = np.array([0.3, 20.0, -2.0])
    turn, place = cameras.turned(np.array([[0.1, -0.2, 0.05]]))[0], np.array([0.02, -0.01, 0.1])
    points = np.random.default_rng(7).uniform(-1, 1, (20, 3))
    points *= (1 / (points @ plane))[:, None]
    seen = (points - place) @ turn.T
    np.testing.assert_allclose(seen / seen[:, 2:] @ ground.seen_from(plane, turn, place), 1 / seen[:, 2])


def test_a_surface_lies_on_the_ground_where_next_to_nothing_is_seen():
    """A wall full of points, a post before it, and four points of paving in a corner: what is left of an edge's bend
    across the paving, and how far off it is, in pixels of the usual shake."""
    rng = np.random.default_rng(8)
    floor = np.array([0.0, 20.0, -2.0])
    wall = rng.uniform(0, 1, (300, 2)) * (1200, 450)
    paving = rng.uniform(0, 1, (4, 2)) * (300, 120) + [40, 650]
    post = np.column_stack([np.full(12, 900.0), np.linspace(500, 700, 12)])

    def rays(at):
        return np.column_stack([at, np.ones(len(at))]) @ np.linalg.inv(CAMERA).T

    places = np.vstack([wall, paving, post])
    nearness = np.concatenate([np.ones(len(wall)), rays(paving) @ floor, np.full(len(post), 9.0)])
    doubt, weight = np.full(len(places), 1e-3), np.ones(len(places))
    edge = np.column_stack([np.linspace(60, 1140, 60), np.full(60, 700.0)])
    bent, off = [], []
    for known in (None, floor):
        given = HOLD, 1.0, CAMERA, SIZE, 5e-4, np.zeros((0, 2, 2)), known
        surface = parallax.surface(places, nearness, doubt, weight, *given)
        has = rays(edge) @ surface.normal + mesh.at(surface.off, edge, SIZE)
        shift = CAMERA[0, 0] * 5e-4 * has
        bent.append(np.abs(shift - np.polyval(np.polyfit(edge[:, 0], shift, 1), edge[:, 0])).max())
        off.append(np.abs(shift - CAMERA[0, 0] * 5e-4 * rays(edge) @ floor).max())
    assert bent[0] > 0.3 and off[0] > 1.0
    assert bent[1] < 0.1 and off[1] < 0.15


@pytest.mark.parametrize("known, less, most", [(False, 0.3, 1.0), (True, 0.0, 0.15)])
def test_where_the_ground_is_known_little_that_stands_on_it_is_believed(known, less, most):
    """Some planters, nearer than the wall behind and the ground about them by 1.4 pixels of the usual shake: how far
    they draw the surface."""
    rng = np.random.default_rng(5)
    floor = np.array([0.0, 20.0, -2.0])

    def rays(at):
        return np.column_stack([at, np.ones(len(at))]) @ np.linalg.inv(CAMERA).T

    def true(at):
        return np.maximum(1.0, rays(at) @ floor)

    scale = CAMERA[0, 0] * 5e-4 * parallax.SIDE / max(SIZE)
    places, planters = rng.uniform(0, 1, (400, 2)) * SIZE, rng.uniform(0, 1, (14, 2)) * (60, 40) + [800, 560]
    nearness = np.concatenate([true(places), true(planters) + 1.4 / scale])
    places = np.vstack([places, planters])
    given = HOLD, 1.0, CAMERA, SIZE, 5e-4, np.zeros((0, 2, 2)), floor if known else None
    surface = parallax.surface(places, nearness, np.full(len(places), 1e-3), np.ones(len(places)), *given)
    drawn = scale * (rays(planters) @ surface.normal + mesh.at(surface.off, planters, SIZE) - true(planters))
    assert less <= np.abs(drawn).max() < most
