"""Steadying: the warp holds exactly, and who is bumped, covered or bridged."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import steady
from kerbwalk.homography import jacobian, transfer

SIZE = (3000, 2000)
places = st.tuples(st.floats(0.1, 0.9), st.floats(0.1, 0.9)).map(lambda f: np.array(f) * SIZE - 0.5)


def test_camera_matrix():
    # 36 mm wide film: a 36 mm lens sees as far to the side as it is long, half of it to either side
    camera = steady.camera_matrix(3000, 2000, 36.0)
    assert camera[0, 0] == camera[1, 1] == pytest.approx(3000, rel=1e-3)
    assert tuple(camera[:2, 2]) == (1499.5, 999.5)
    assert steady.camera_matrix(3000, 2000)[0, 0] == pytest.approx(3000 * 28 / 36, rel=1e-3)


@given(places, places, st.floats(-0.3, 0.3), st.sampled_from([18.0, 28.0, 50.0, 135.0]))
def test_hold_point_stays_exactly_and_its_upright_is_upright(hold, anchor, lean, focal35):
    matrix = steady.rotation_to(hold, lean, anchor, steady.camera_matrix(*SIZE, focal35))
    np.testing.assert_allclose(transfer(matrix, hold[None])[0], anchor, atol=1e-6)
    down = jacobian(matrix, hold) @ [-np.sin(lean), np.cos(lean)]
    # an angle of 1e-3 moves what is 1,000 px away by a pixel
    assert abs(np.arctan2(-down[0], down[1])) < 1e-4


@given(places, st.floats(-0.02, 0.02), st.floats(-0.02, 0.02), st.floats(-0.02, 0.02))
def test_upright_of_small_turns(anchor, dx, dy, lean):
    """Aims that are off as people's are: 2 % of the picture, one degree."""
    hold = anchor + np.array([dx, dy]) * SIZE[0]
    matrix = steady.rotation_to(hold, lean, anchor, steady.camera_matrix(*SIZE, 27.0))
    np.testing.assert_allclose(transfer(matrix, hold[None])[0], anchor, atol=1e-6)
    down = jacobian(matrix, hold) @ [-np.sin(lean), np.cos(lean)]
    assert abs(np.arctan2(-down[0], down[1])) < 1e-5


@given(places, places, st.floats(-0.3, 0.3))
def test_warp_is_a_pure_turn(hold, anchor, lean):
    camera = steady.camera_matrix(*SIZE, 27.0)
    turn = np.linalg.inv(camera) @ steady.rotation_to(hold, lean, anchor, camera) @ camera
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-9)
    assert np.linalg.det(turn) == pytest.approx(1)


@given(places)
def test_what_is_steady_is_left_alone(hold):
    matrix = steady.rotation_to(hold, 0.0, hold, steady.camera_matrix(*SIZE))
    np.testing.assert_allclose(matrix, np.eye(3), atol=1e-9)


def test_undoes_a_cameras_turn(turned):
    """A turn of the camera is undone everywhere in the picture, not only at the hold point."""
    focal = steady.camera_matrix(*SIZE, 27.0)[0, 0]
    truth = turned(SIZE, 0.012, -0.02, 0.03, focal)
    anchor = np.array([1600.0, 850.0])
    hold = transfer(truth, anchor[None])[0]
    down = jacobian(truth, anchor) @ [0, 1]
    matrix = steady.rotation_to(hold, np.arctan2(-down[0], down[1]), anchor, steady.camera_matrix(*SIZE, 27.0))
    corners = np.array([[0, 0], [2999, 0], [2999, 1999], [0, 1999]], float)
    np.testing.assert_allclose(transfer(matrix @ truth, corners), corners, atol=0.02)


def test_bumped_is_the_one_that_is_far_off():
    rng = np.random.default_rng(4)
    k = np.arange(40)
    # the aim wanders by 300 px over the walk
    holds = np.column_stack([1500 + 7.5 * k, 900 - 3 * k]) + rng.normal(0, 8, (40, 2))
    assert not steady.bumped(holds, 3000).any()
    holds[13] += (150, -60)
    holds[25] = np.nan
    assert np.flatnonzero(steady.bumped(holds, 3000)).tolist() == [13]


@pytest.mark.parametrize("at", [0, 1, 39])
def test_bumped_at_the_ends(at):
    holds = np.full((40, 2), 700.0) + np.random.default_rng(5).normal(0, 5, (40, 2))
    holds[at] += 200
    assert np.flatnonzero(steady.bumped(holds, 3000)).tolist() == [at]


def test_a_hold_point_that_goes_by_evenly_is_bumped_nowhere_but_where_it_jumps():
    """A house behind a fountain that is walked about: the aim at the fountain is right to its ends."""
    k = np.arange(32)
    holds = np.column_stack([300 + 34.0 * k, 500 - 2 * k]) + np.random.default_rng(6).normal(0, 3, (32, 2))
    assert not steady.bumped(holds, 1200).any()
    holds[[8, 31]] += [[80, 0], [0, 90]]
    assert np.flatnonzero(steady.bumped(holds, 1200)).tolist() == [8, 31]


def test_perfect_aim_has_no_bump():
    assert not steady.bumped(np.full((10, 2), 700.0), 3000).any()


@pytest.mark.filterwarnings("ignore:All-NaN slice")
def test_a_long_gap_says_nothing_of_the_others():
    holds = np.full((40, 2), 700.0)
    holds[10:30] = np.nan
    assert not steady.bumped(holds, 3000).any()


def test_covered_only_if_it_soon_passes():
    likeness = [1, 0, 1, 0, 0, 1, 0, 0, 0, 1, np.nan, 1, 1, 0]
    expected = [False, True, False, True, True, False, False, False, False, False, True, False, False, True]
    assert steady.covered(likeness).tolist() == expected


@given(st.lists(st.booleans(), min_size=1, max_size=30).filter(any), st.booleans())
def test_timeline(usable, leave_out):
    names = [f"p{k}" for k in range(len(usable))]
    frames = steady.timeline(names, np.array(usable), leave_out)
    assert len(frames) == (sum(usable) if leave_out else len(names))
    good = {name for name, use in zip(names, usable, strict=True) if use}
    for frame in frames:
        assert {name for name, _ in frame} <= good
        assert sum(share for _, share in frame) == pytest.approx(1)
    if not leave_out:
        for name, use, frame in zip(names, usable, frames, strict=True):
            assert not use or frame == [(name, 1.0)]


def test_the_nearer_neighbour_has_the_greater_share():
    frames = steady.timeline("abcdef", np.array([True, False, False, False, True, False]), False)
    assert frames[1] == [("a", 0.75), ("e", 0.25)]
    assert frames[3] == [("a", 0.25), ("e", 0.75)]
    assert frames[5] == [("e", 1.0)]


def test_vertical_is_told_by_cameras_that_look_about():
    """Cameras turned level about an upright that leans in the reference's view, with some roll of their own."""
    rng = np.random.default_rng(2)
    raised = 0.12
    down = np.array([0, np.cos(raised), np.sin(raised)])
    turns = [
        steady._about(down, a) @ steady._about(np.array([0, 0, 1.0]), r)
        for a, r in zip(np.linspace(-0.3, 0.3, 60), rng.normal(0, 0.004, 60), strict=True)
    ]
    found = steady.vertical(np.linalg.inv(turns))
    assert np.degrees(np.arccos(found @ down)) < 1.0
    np.testing.assert_allclose(steady.vertical(np.tile(np.eye(3), (9, 1, 1))), [0, 1, 0], atol=1e-9)


@given(places, st.tuples(*[st.floats(-0.2, 0.2)] * 3))
def test_an_aimed_camera_sees_its_target_at_the_anchor(anchor, place):
    camera = steady.camera_matrix(*SIZE, 27.0)
    target, upright = np.linalg.inv(camera) @ [*anchor, 1], np.array([0.0, 1, 0])
    turn = steady.aimed(np.array(place), target, anchor, upright, camera)
    seen = camera @ turn @ (target - place)
    np.testing.assert_allclose(seen[:2] / seen[2], anchor, atol=1e-6)
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-9)
    np.testing.assert_allclose(steady.aimed(np.zeros(3), target, anchor, upright, camera), np.eye(3), atol=1e-9)
    # turned clockwise about the anchor, which stays
    rolled = steady.rolled(turn, 0.1, anchor, camera)
    seen = camera @ rolled @ (target - place)
    np.testing.assert_allclose(seen[:2] / seen[2], anchor, atol=1e-6)
    matrix = camera @ rolled @ turn.T @ np.linalg.inv(camera)
    right = jacobian(matrix, anchor) @ [1, 0]
    assert np.arctan2(right[1], right[0]) == pytest.approx(0.1, abs=0.05)


def test_an_even_pace_drops_short_steps():
    along = np.cumsum([0, 1, 1, 0.1, 0.1, 0.8, 1, 1, 1, 0.5, 0.5, 1, 1])
    kept = steady.even_pace(along, np.ones(13, bool))
    steps = np.diff(along[kept])
    assert kept[[0, -1]].all()
    assert steps.min() > 0.75 and steps.max() < 1.3
    assert kept.sum() == 10
    usable = np.ones(13, bool)
    usable[[6, 7]] = False
    assert not (steady.even_pace(along, usable) & ~usable).any()


def test_an_even_walk_loses_no_photo():
    along = np.cumsum(np.random.default_rng(1).normal(1, 0.05, 50))
    assert steady.even_pace(along, np.ones(50, bool)).all()


@pytest.mark.parametrize(
    ("placed", "size", "expected"),
    [
        (2, (64, 48), None),
        (1, (64, 48), "1 of 8.*: 64 x 48 pixels are too small"),
        (1, (72, 96), "1 of 8.*another 'hold'"),
    ],
)
def test_a_clip_of_too_few_photos_is_refused_with_what_to_do(placed, size, expected):
    said = steady.too_few(np.arange(8) < placed, size)
    assert said is None if expected is None else re.search(expected, said)
