"""The clip at another pace: how many frames, and of what."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import mesh, parallax, retime, steady, walk

PACE = {"speed": 1, "between": "blend", "ease": 0, "hold_first": 0, "hold_last": 0, "reverse": False, "loop": "none"}


def clip(count):
    return [[(f"{k}", 1.0)] for k in range(count)]


def made(count, rate=24, **pace):
    return retime.retimed(clip(count), rate, PACE | pace)


def order(frames):
    """The place in time of each frame."""
    return [sum(float(photo) * share for photo, share in frame) for frame in frames]


def test_the_usual_pace_is_the_clip_itself():
    assert made(7) == clip(7)


@pytest.mark.parametrize(
    ("pace", "count"),
    [
        ({"speed": 0.5}, 2 * 119 + 1),
        ({"speed": 0.4}, 299),
        ({"speed": 2}, 61),
        ({"ease": 0.3}, 120),
        ({"hold_first": 1, "hold_last": 0.5}, 120 + 24 + 12),
        ({"loop": "forth_and_back"}, 238),
        ({"loop": "crossfade"}, 120 - 24),
        ({"loop": "crossfade", "speed": 4}, 31 - 10),
    ],
)
def test_how_many_frames(pace, count):
    assert len(made(120, **pace)) == count


LOOPS = st.sampled_from(["none", "forth_and_back", "crossfade"])


@given(st.integers(1, 40), st.floats(0.1, 8), st.floats(0, 0.5), LOOPS)
def test_shares_make_one_frame(count, speed, ease, loop):
    for frame in made(count, speed=speed, ease=ease, loop=loop):
        assert sum(share for _, share in frame) == pytest.approx(1)


@given(st.integers(2, 60), st.floats(0.1, 2), st.floats(0, 0.5))
def test_it_goes_evenly_from_the_first_to_the_last(count, speed, ease):
    places = retime.positions(count, speed, ease)
    steps = np.diff(places)
    assert places[0] == 0 and places[-1] == pytest.approx(count - 1)
    assert (steps > 0).all()
    np.testing.assert_allclose(places + places[::-1], count - 1, atol=1e-9)
    if not ease:
        np.testing.assert_allclose(steps, steps[0])


def test_an_eased_clip_starts_and_ends_softly():
    steps = np.diff(retime.positions(121, 1, 0.25))
    assert steps[0] < 0.02 and steps[-1] < 0.02
    np.testing.assert_allclose(steps[31:89], 1 / 0.75, rtol=1e-6)


def test_backwards_and_held():
    assert order(made(4, reverse=True)) == [3, 2, 1, 0]
    assert order(made(3, rate=2, hold_last=1)) == [0, 1, 2, 2, 2]


def test_slowed_down_by_neighbours():
    assert order(made(3, speed=0.5)) == pytest.approx([0, 0.5, 1, 1.5, 2])
    assert order(made(3, speed=0.5, between="nearest")) == [0, 1, 1, 2, 2]


def test_forth_and_back_repeats_no_frame():
    assert order(made(4, loop="forth_and_back")) == [0, 1, 2, 3, 2, 1]


def test_a_crossfaded_loop_goes_on_where_it_ends():
    """Its last frame is followed, in the first one, by the next photo, fading into the true start."""
    found = made(30, rate=9, loop="crossfade")
    assert len(found) == 21
    assert found[-1] == [("20", 1.0)]
    assert dict(found[0]) == pytest.approx({"21": 0.9, "0": 0.1})
    assert dict(found[8]) == pytest.approx({"29": 0.1, "8": 0.9})
    assert found[9] == [("9", 1.0)]


def test_between_two_photos_both_are_moved_to_their_share_of_the_way():
    frames = made(3, speed=0.25, between="move")
    assert len(frames) == 9 and frames[4] == [("1", 1.0)]
    assert frames[5] == [(("1", "2", 0.25, 0), 0.75), (("1", "2", 0.25, 1), 0.25)]
    clip = [[("a", 1.0)], [("a", 0.5), ("c", 0.5)], [("c", 1.0)]]
    bridged = retime.retimed(clip, 24, PACE | {"between": "move", "speed": 0.5})
    assert bridged[1] == [("a", 0.75), ("c", 0.25)]


@pytest.mark.parametrize("steps", [1, 2])
def test_a_view_from_between_is_what_a_camera_there_would_see(steps):
    """A wall that stands askew and one before its right half, and pinhole cameras that step along them: where points
    lie in the photos, by the view from between and by their places in space."""
    size, hold, part = np.array([1200, 800]), np.array([500.0, 380.0]), 0.3
    camera = steady.camera_matrix(*size, 27)
    target = np.linalg.inv(camera) @ [*hold, 1]
    nodes = mesh.nodes(size)
    # Inverse depth as the first even camera sees it: 1 at the hold point, 0.4 more to its right.
    normal = np.array([0.15, -0.05, 1 - np.array([0.15, -0.05]) @ target[:2]])
    off = 0.4 / (1 + np.exp(-(nodes[..., 0] - 800) / 60))

    def rays(points):
        return np.column_stack([points, np.ones(len(points))]) @ np.linalg.inv(camera).T

    def even(k):
        place = k * np.array([0.012, 0.001, 0.004])
        return steady.aimed(place, target, hold, np.array([0.0, 1.0, 0.0]), camera), place

    def space(points):
        """What the first even camera sees at its pixels."""
        return rays(points) / (rays(points) @ normal + mesh.at(off, points, size))[:, None] @ even(0)[0]

    def shown(turn, place, points):
        there = (space(points) - place) @ turn.T
        at = there @ camera.T
        return at[:, :2] / at[:, 2:], 1 / there[:, 2]

    def surface(k):
        """The walls as the even camera of photo k sees them."""
        points = wanted = nodes.reshape(-1, 2)
        for _ in range(20):
            points = points + wanted - shown(*even(k), points)[0]
        return normal, (shown(*even(k), points)[1] - rays(wanted) @ normal).reshape(nodes.shape[:2])

    def shaken(k):
        off_aim = np.random.default_rng(k).normal(0, 1, 4)
        turn, place = even(k)
        return steady.rolled(turn, 0.004 * off_aim[0], hold, camera), place + 0.002 * off_aim[1:]

    turn, place = (np.array(parts) for parts in zip(*map(even, range(steps + 1)), strict=True))
    path = walk.Even(turn, place, np.tile(camera, (steps + 1, 1, 1)), *[None] * 3)
    records = []
    for k in range(steps + 1):
        matrix, grid = parallax.warp(*surface(k), shaken(k), (turn[k], place[k], camera), camera, size)
        records.append({"matrix": matrix, "grid": grid, "ahead": walk.ahead(surface(k), path, k, size, True)})
    points = np.random.default_rng(5).uniform([150, 100], [1050, 700], (200, 2))
    between, _ = shown(*even(part * steps), points)
    for (matrix, grid), k in zip(retime.views(records, part, size), (0, steps), strict=True):
        led = np.array([walk.to_photo(matrix, grid, point, size) for point in between])
        assert np.hypot(*(led - shown(*shaken(k), points)[0]).T).max() < 0.2
