"""The surface of nearness and the shifts from it, over walls that are known."""

import numpy as np
import pytest

from kerbwalk import cameras, mesh, parallax, steady, walk
from kerbwalk.homography import transfer

SIZE = np.array([1200, 800])
CAMERA = steady.camera_matrix(*SIZE, 27.0)
HOLD = np.array([600.0, 350.0])
SHAKE = 5e-4


def rays(places, camera=CAMERA):
    return np.column_stack([places, np.ones(len(places))]) @ np.linalg.inv(camera).T


def surface(places, nearness, straight=(), plane=(HOLD, CAMERA, SIZE)):
    doubt, weight = np.full(len(places), 1e-3), np.ones(len(places))
    hold, camera, size = plane
    return parallax.surface(places, nearness, doubt, weight, hold, 1.0, camera, size, SHAKE, straight)


@pytest.fixture
def places():
    return np.random.default_rng(4).uniform(0, 1, (400, 2)) * SIZE


def test_a_flat_wall_is_a_homography_and_bends_nothing(places):
    normal = np.array([1.5, -0.8, 0.0])
    normal[2] = 1 - normal @ [*rays(HOLD[None])[0, :2], 0]
    found = surface(places, rays(places) @ normal)
    np.testing.assert_allclose(found.normal, normal, atol=1e-3)
    assert np.abs(found.off).max() * CAMERA[0, 0] * SHAKE < 0.01


def test_walls_that_meet_keep_their_own_slopes(places):
    """A street: nearness grows to both sides. Within a wall the shift follows it to a tenth of a pixel."""
    near = 1 + 4 * np.abs(places[:, 0] - HOLD[0]) / SIZE[0]
    found = surface(places, near)
    rest = rays(places) @ found.normal + mesh.at(found.off, places, SIZE) - near
    inner = np.abs(places[:, 0] - HOLD[0]) > 120
    assert np.abs(rest[inner]).max() * CAMERA[0, 0] * SHAKE < 0.1
    assert mesh.at(found.off, HOLD[None], SIZE)[0] == pytest.approx(0, abs=1e-9)


def test_without_shifts_the_homography_is_the_same(places):
    near = 1 + 4 * np.abs(places[:, 0] - HOLD[0]) / SIZE[0]
    doubt, weight = np.full(len(places), 1e-3), np.ones(len(places))
    found = [
        parallax.surface(places, near, doubt, weight, HOLD, 1.0, CAMERA, SIZE, SHAKE, straight)
        for straight in ((), None)
    ]
    np.testing.assert_array_equal(found[1].normal, found[0].normal)
    assert found[0].off.any() and not found[1].off.any() and found[1].off.shape == found[0].off.shape


def test_an_upright_photo_is_followed_as_well_as_one_that_lies(places):
    """Walls that meet every 200 pixels along the longer side."""
    upright = HOLD[::-1], CAMERA[[1, 0, 2]][:, [1, 0, 2]], SIZE[::-1]
    missed = []
    for plane, at, ahead in (((HOLD, CAMERA, SIZE), places, 0), (upright, places[:, ::-1], 1)):
        near = 2 - np.abs((at[:, ahead] - HOLD[0]) % 400 - 200) / 200
        found = surface(at, near, plane=plane)
        rest = rays(at, plane[1]) @ found.normal + mesh.at(found.off, at, plane[2]) - near
        missed.append(np.sqrt(np.square(rest).mean()))
    assert missed[1] == pytest.approx(missed[0], rel=0.2)


def test_an_edge_across_a_fold_is_kept_straight(places):
    """A mast before the line where ground and far wall meet: the surface folds there, but not along the mast, of which
    sides and middle are seen.
    """
    near = 1 + 8 * np.maximum(places[:, 1] - 500, 0) / SIZE[1]
    mast = np.array([[900.0, 300.0], [930.0, 760.0]])
    along = mast[0] + np.linspace(0, 1, 50)[:, None] * (mast[1] - mast[0])
    bent = []
    for straight in ((), mast + np.array([[[0, 0]], [[7, 0]], [[14, 0]], [[21, 0]]])):
        shift = CAMERA[0, 0] * SHAKE * mesh.at(surface(places, near, straight).off, along, SIZE)
        line = np.polyval(np.polyfit(along[:, 1], shift, 1), along[:, 1])
        bent.append(np.abs(shift - line).max())
    assert bent[0] > 0.2
    assert bent[1] < 0.1


def test_a_post_is_left_to_the_wall_behind_it(places):
    near = np.ones(len(places))
    post = np.abs(places[:, 0] - 900) < 12
    assert post.sum() >= 4
    near[post] = 8.0
    found = surface(places, near)
    assert np.abs(mesh.at(found.off, places[post], SIZE)).max() * CAMERA[0, 0] * SHAKE < 0.3


def test_near_ground_with_little_on_it_is_not_drawn_to_the_wall(places):
    """It is up to 7 pixels of shake off the wall's homography at the lower border, and shows 20 points."""

    def near(at):
        return 1 + 40 * np.maximum(at[:, 1] - 500, 0) / SIZE[1]

    seen = np.concatenate([places[places[:, 1] < 500], places[places[:, 1] > 500][:20]])
    found, ground = surface(seen, near(seen)), places[places[:, 1] > 560]
    rest = rays(ground) @ found.normal + mesh.at(found.off, ground, SIZE) - near(ground)
    assert np.abs(rest).max() * CAMERA[0, 0] * SHAKE < 0.5


def test_without_evidence_it_fades():
    """Points on the left alone, far off the homography: at the right edge little is left of it."""
    rng = np.random.default_rng(5)
    centre, left = HOLD + rng.normal(0, 160, (150, 2)), rng.uniform(0, 1, (60, 2)) * (200, 800)
    found = surface(np.vstack([centre, left]), np.concatenate([np.ones(150), np.full(60, 6.0)]))
    shift = CAMERA[0, 0] * SHAKE * np.abs(found.off)
    assert shift[:, :3].max() > 1.5
    assert shift[:, -3:].max() < 0.5


def test_warp_shows_what_the_even_camera_would_have_seen(places):
    """Points at the surface's own depth, seen by the shaken camera, come to lie where the even one sees them."""
    near = 1 + 3 * np.abs(places[:, 0] - HOLD[0]) / SIZE[0]
    found = surface(places, near)
    even = np.eye(3), np.zeros(3), CAMERA
    shaken = cameras.turned(np.array([[0.01, -0.02, 0.01]]))[0], np.array([6e-4, -4e-4, 5e-4])
    matrix, grid = parallax.warp(found.normal, found.off, shaken, even, CAMERA, SIZE)
    depth = 1 / (rays(places) @ found.normal + mesh.at(found.off, places, SIZE))
    points = np.column_stack([rays(places) * depth[:, None], np.ones(len(places))])
    there = cameras.project(CAMERA, *shaken, points)
    back = mesh.to_plane(matrix, grid, there, SIZE)
    # what is left is the shift's curvature within a cell
    assert np.abs(back - places).max() < 0.05
    alone = transfer(np.linalg.inv(matrix), there)
    assert np.abs(alone - places).max() > 0.5


def test_limits_are_where_shifts_bend_too_much(places):
    """Whichever way a photo stands off to the limit, its shifts have the second differences that are allowed."""
    found = surface(
        places, 1 + 3 * np.abs(places[:, 0] - HOLD[0]) / SIZE[0] + 4 * np.maximum(places[:, 1] - 500, 0) / 800
    )
    turn = cameras.turned(np.array([[0.02, -0.3, 0.01]]))
    even = walk.Even(turn, np.zeros((1, 3)), CAMERA[None], np.ones(1), np.zeros(1), SHAKE)
    limit = parallax.limits(found.normal[None], found.off[None], even, SIZE)[0]
    for way in np.random.default_rng(7).normal(size=(20, 3)):
        step = way / np.sqrt(way @ limit @ way)
        seen, stood = (turn[0], step), (turn[0], np.zeros(3), CAMERA)
        grid = parallax.warp(found.normal, found.off, seen, stood, CAMERA, SIZE)[1]
        square = sum(np.square(np.diff(grid, 2, axis=axis)).sum(-1).mean() for axis in (0, 1))
        assert np.sqrt(square) / SIZE[0] == pytest.approx(parallax.MOST_BENT, rel=0.05)


def test_the_fold_where_the_ground_begins_limits_nothing():
    """What stands on it does as before: of a surface that is the ground's below, without a post on it and with one."""
    floor, place = np.array([0.0, 20.0, -2.0]), np.array([[0.01, -0.02, 0.03]])
    even = walk.Even(np.eye(3)[None], place, CAMERA[None], np.ones(1), np.zeros(1), SHAKE)
    nodes = mesh.nodes(SIZE)
    normal = np.array([[0.1, 0.2, 1.0]])
    ground = np.concatenate([nodes, np.ones((*nodes.shape[:2], 1))], -1) @ np.linalg.inv(CAMERA).T
    ground = np.maximum(ground @ (floor / (1 - place[0] @ floor) - normal[0]), 0)
    assert (ground > 0).any() and (ground == 0).any()
    post = 3.0 * np.exp(-np.square((nodes - [900, 600]) / 80).sum(-1))
    with_it, post_alone = (
        parallax.limits(normal, off[None], even, SIZE, below) for off, below in ((ground + post, floor), (post, None))
    )
    np.testing.assert_allclose(with_it, post_alone, rtol=1e-9)
    assert parallax.limits(normal, ground[None], even, SIZE, floor).max() < 1e-12
    assert np.trace(parallax.limits(normal, ground[None], even, SIZE)[0]) > 1e5


def test_grid_is_scipys_bilinear():
    from scipy.interpolate import RegularGridInterpolator

    rng = np.random.default_rng(6)
    grid = rng.normal(size=(5, 7, 2))
    points = rng.uniform(-50, 1250, (200, 2))
    nodes = mesh.nodes(SIZE, (5, 7))
    reference = RegularGridInterpolator((nodes[:, 0, 1], nodes[0, :, 0]), grid)
    inside = np.clip(points, 0, SIZE - 1)
    np.testing.assert_allclose(mesh.at(grid, points, SIZE), reference(inside[:, ::-1]), atol=1e-12)


def test_a_held_thing_before_a_wall_does_not_draw_the_wall_to_it(places):
    """A monument of a tenth of the width is held; the wall behind it is half as near, and stays there."""
    monument = (np.abs(places - HOLD) < (60, 90)).all(1)
    found = surface(places, np.where(monument, 1.0, 0.5))
    away = np.abs(places - HOLD).max(1) > 200
    rest = (rays(places) @ found.normal + mesh.at(found.off, places, SIZE) - 0.5)[away]
    assert np.abs(rest).max() < 0.05
    assert mesh.at(found.off, HOLD[None], SIZE)[0] == pytest.approx(0, abs=1e-9)
