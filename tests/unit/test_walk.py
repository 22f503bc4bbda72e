"""The even walk beside known cameras: what level points keep, and that the photographer's word is obeyed."""

import numpy as np
import pytest

from kerbwalk import cameras, lines, mesh, parallax, steady, walk

SIZE = np.array([1200, 800])
CAMERA = steady.camera_matrix(*SIZE, 27.0)
HOLD = np.array([610.0, 330.0])
PHOTOS, FIXED = 25, 12
NO_LINES = lines.Lines(np.zeros((0, 2, 4)), np.zeros((0, 2), int))
LINE = np.array([[0.2, -0.1, 1.0, 1.0], [0.21, 0.1, 1.0, 1.0]])


@pytest.fixture
def walked():
    """(Solved, Tracked) of a walk straight on by a quarter of the way to the hold point, rolled and shaken."""
    rng = np.random.default_rng(3)
    place = np.outer((np.arange(PHOTOS) - FIXED) / PHOTOS / 4, [0, 0, 1]) + rng.normal(0, 3e-4, (PHOTOS, 3))
    place[FIXED] = 0
    target = np.linalg.inv(CAMERA) @ [*HOLD, 1]
    turn = np.array([steady.aimed(p, target, HOLD, np.array([0.0, 1, 0]), CAMERA) for p in place])
    shake = cameras.turned(rng.normal(0, 0.004, (PHOTOS, 3)))
    shake[FIXED] = np.eye(3)
    turn = shake @ turn
    points = np.vstack([[*target, 1], LINE])
    world = cameras.World(turn, place, points / np.linalg.norm(points, axis=1, keepdims=True), CAMERA)
    nothing = np.zeros(PHOTOS)
    seen = np.array([cameras.project(CAMERA, t, p, points) for t, p in zip(turn, place, strict=True)])
    everywhere, nowhere = nothing == 0, nothing == 1
    tracked = walk.Tracked(everywhere, everywhere, nowhere, seen[:, 0], nothing, nothing + 1, nothing, seen[:, 1:])
    solved = walk.Solved(
        world, np.tile(1e-6 * np.eye(3), (3, 1, 1)), np.tile([0, PHOTOS], (3, 1)), everywhere, nothing, {}
    )
    return solved, tracked


def solved_again(solved, tracked, change=lambda seen, rng: None):
    """Solved by what the walk shows of 300 points; change: what happens to where they are seen, (n, 300, 2)."""
    rng = np.random.default_rng(2)
    cloud = np.column_stack([rng.uniform(-0.6, 0.6, (300, 2)), rng.uniform(0.7, 1.6, 300), np.ones(300)])
    seen = np.array(
        [cameras.project(CAMERA, *one, cloud) for one in zip(solved.world.turn, solved.world.place, strict=True)]
    )
    change(seen, rng)
    inside = ((seen > 0) & (seen < SIZE)).all(axis=2)
    photo, point = np.nonzero(inside)
    sights = photo, point, seen[inside] + rng.normal(0, 0.1, (len(photo), 2))
    tracked.scale[:] = 1 / (1 - solved.world.place[:, 2])
    return walk.solve(tracked, sights, PHOTOS, HOLD, CAMERA, FIXED, 0.3, True)


@pytest.mark.parametrize("off, odd", [(0.0, []), (0.6, [7]), (4.0, [7])])
def test_a_hold_point_that_the_rest_tells_better_is_not_held_to_where_it_was_read(walked, off, odd):
    """As a patch may be, of which half is covered by what looks much like it: by more than it says itself."""
    solved, tracked = walked
    true = tracked.hold[7].copy()
    tracked.hold[:] += np.random.default_rng(4).normal(0, 0.02, tracked.hold.shape)
    tracked.hold[7, 0] += off
    tracked.sigma[:] = 0.1
    found = solved_again(solved, tracked)
    assert np.flatnonzero(~found.sure).tolist() == odd
    at = cameras.project(CAMERA, found.world.turn[7], found.world.place[7], found.world.points[[cameras.HOLD]])[0]
    assert np.hypot(*(at - true)) < 0.2


def test_a_photo_that_fits_the_others_only_by_chance_is_none_of_them(walked):
    """Four of ten of its corners do, as of a street that is not the same."""

    def change(seen, rng):
        stray = rng.random(300) < 0.6
        seen[7, stray] += rng.normal(0, 20, (stray.sum(), 2))

    found = solved_again(*walked, change)
    assert list(found.problems) == [7]
    assert "another place" in found.problems[7] and 0.3 < found.agreeing[7] < 0.5


def shown(even):
    """The line on the plane, as the even cameras see it: (n, 2) from its first to its second point."""
    every = zip(even.camera, even.turn, even.place, strict=True)
    return np.array([np.diff(cameras.project(*one, LINE), axis=0)[0] for one in every])


@pytest.mark.parametrize("levelled", [False, True])
def test_the_line_between_level_points_keeps_direction_and_length(walked, levelled):
    solved, tracked = walked
    level = tracked.level[FIXED] if levelled else None
    known = np.ones(PHOTOS, bool)
    # somebody stands before one of the points
    tracked.level[5, 1] += (40, 0)
    tracked.level[8] = np.nan
    even = walk.even_out(solved, tracked, known, known, HOLD, level, FIXED, 24, False)
    along = shown(even)
    length, angle = np.hypot(*along.T), np.degrees(np.arctan2(along[:, 0], along[:, 1]))
    wanted = np.diff(tracked.level[FIXED], axis=0)[0]
    longer = np.abs(length / np.hypot(*wanted) - 1).max()
    turned = np.abs(angle - np.degrees(np.arctan2(*wanted))).max()
    if levelled:
        assert longer < 5e-3 and turned < 0.1
    else:
        assert longer > 0.1
    # the hold point stays
    for camera, turn, place in zip(even.camera, even.turn, even.place, strict=True):
        at = cameras.project(camera, turn, place, solved.world.points[[cameras.HOLD]])
        np.testing.assert_allclose(at, HOLD[None], atol=1e-6)


def test_frames_go_evenly_past_a_photo_that_is_left_out(walked):
    solved, tracked = walked
    frames = np.arange(PHOTOS) != 6
    even = walk.even_out(solved, tracked, frames, frames, HOLD, None, FIXED, 24, False)
    steps = np.diff(even.place[frames, 2])
    assert np.abs(np.diff(steps)).max() < 0.1 * np.median(steps)


@pytest.mark.parametrize("bends", [False, True])
def test_the_photographers_word_is_obeyed(walked, bends):
    """Where it is said that the hold point lies, there it is taken from, by the very pixel."""
    solved, tracked = walked
    known = np.ones(PHOTOS, bool)
    even = walk.even_out(solved, tracked, known, known, HOLD, None, FIXED, 24, False)
    surfaces = parallax.surfaces(solved.world, solved.covariance, solved.lasts, even, HOLD, SIZE, NO_LINES)
    said, k = np.array([702.5, 288.25]), 4
    seen, smooth = (solved.world.turn[k], solved.world.place[k]), (even.turn[k], even.place[k], even.camera[k])
    matrix, grid = walk.warp([part[k] for part in surfaces], seen, smooth, CAMERA, SIZE, said, HOLD, bends)
    assert (grid is not None) == bends
    np.testing.assert_allclose(walk.to_photo(matrix, grid, HOLD, SIZE), said, atol=1e-6)
    np.testing.assert_allclose(mesh.to_plane(matrix, grid, said[None], SIZE)[0], HOLD, atol=1e-3)
