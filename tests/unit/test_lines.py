"""Lines in space from edges in photos of known cameras."""

import numpy as np
import pytest

from kerbwalk import cameras, lines

SIZE = (1200, 800)
CAMERA = np.array([[900.0, 0, 599.5], [0, 900.0, 399.5], [0, 0, 1]])
PLACE = np.column_stack([np.linspace(-0.1, 0.1, 7), np.zeros(7), np.zeros(7)])
WORLD = cameras.World(np.tile(np.eye(3), (7, 1, 1)), PLACE, np.zeros((1, 4)), CAMERA)
# A post, leaning, before a wall; and the wall's coping, which lies along the walk.
POST = np.array([[0.1, 0.25, 0.6, 1], [0.12, -0.2, 0.62, 1]])
COPING = np.array([[-0.4, -0.3, 1, 1], [0.3, -0.28, 1, 1]])


def edges_of(*segments, rng=None):
    """What the photos show of segments in space, to a fifth of a pixel where `rng` is given."""
    ends = np.array(segments).reshape(-1, 4)
    at = np.array([cameras.project(CAMERA, np.eye(3), place, ends) for place in PLACE])
    at = at if rng is None else at + rng.normal(0, 0.2, at.shape)
    return {3 * k: one.reshape(-1, 2, 2) for k, one in enumerate(at)}


def walked():
    """A walk of which every third photo is looked at."""
    many = 3 * len(PLACE)
    place = np.repeat(PLACE, 3, axis=0)
    return cameras.World(np.tile(np.eye(3), (many, 1, 1)), place, WORLD.points, CAMERA)


@pytest.mark.parametrize("segment", [POST, COPING])
def test_a_line_lies_where_it_is_seen_from_everywhere(segment):
    found = lines.found(walked(), edges_of(segment, rng=np.random.default_rng(5)), SIZE)
    assert found.lasts.tolist() == [[0, 18]]
    for place in [*PLACE, np.array([0.0, 0.01, 0.01])]:
        seen = lines.seen_from(found.ends, CAMERA, np.eye(3), place, SIZE)[0]
        true = cameras.project(CAMERA, np.eye(3), place, segment)
        across = (true[1] - true[0])[::-1] * [-1, 1] / np.hypot(*(true[1] - true[0]))
        assert np.abs((seen - true[0]) @ across).max() < 0.7


def test_what_only_one_photo_takes_for_an_edge_is_none():
    shown = edges_of(POST)
    shown[9] = np.vstack([shown[9], [[[200.0, 300], [420, 310]]]])
    assert len(lines.found(walked(), shown, SIZE).ends) == 1


def test_what_drifts_from_photo_to_photo_is_none():
    shown = edges_of(POST)
    moving = {k: np.vstack([one, [[[300.0, 500 + 7 * k], [600, 500 + 7 * k]]]]) for k, one in shown.items()}
    assert len(lines.found(walked(), moving, SIZE).ends) == 1


def test_without_edges_there_are_no_lines():
    none = dict.fromkeys(range(0, 21, 3), np.zeros((0, 2, 2)))
    assert lines.found(walked(), none, SIZE).ends.shape == (0, 2, 4)
    assert lines.found(walked(), {}, SIZE).lasts.shape == (0, 2)


def test_lines_are_cut_off_at_the_border_and_left_out_beside_it_and_behind():
    across = np.array([[-1.0, 0.1, 1, 1], [1.0, 0.1, 1, 1]])
    above, behind = across - [0, 2, 0, 0], across * [1, 1, -1, 1]
    seen = lines.seen_from(np.array([across, above, behind]), CAMERA, np.eye(3), np.zeros(3), SIZE)
    np.testing.assert_allclose(seen, [[[0, 489.5], [1199, 489.5]]], atol=1e-9)
