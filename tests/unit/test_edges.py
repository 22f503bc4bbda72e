"""Straight edges in pictures where it is known where they lie."""

import cv2
import numpy as np
import pytest

from kerbwalk import edges

SIZE = (1600, 1000)
EAVES, SILL = (200.0, 300.5), (1400.0, 420.5)


def picture(post=False):
    """A roof's edge that is not level, and a post before it."""
    height, width = SIZE[1], SIZE[0]
    y, x = np.mgrid[:height, :width]
    roof = EAVES[1] + (x - EAVES[0]) * (SILL[1] - EAVES[1]) / (SILL[0] - EAVES[0])
    seen = np.where((y > roof) & (x >= EAVES[0]) & (x <= SILL[0]), 180.0, 40.0)
    if post:
        seen[:, 760:800] = 110
    return np.rint(cv2.GaussianBlur(seen, (0, 0), 1.0)).astype(np.uint8)


@pytest.mark.parametrize("post", [False, True])
def test_an_edge_is_found_whole_whatever_stands_before_it(post):
    found = edges.found(picture(post))
    along = np.abs(found[:, 1, 0] - found[:, 0, 0])
    longest = found[np.argmax(along)]
    longest = longest[np.argsort(longest[:, 0])]
    np.testing.assert_allclose(longest[[0, 1], [0, 0]], [EAVES[0], SILL[0]], atol=12)
    on_it = EAVES[1] + (longest[:, 0] - EAVES[0]) * (SILL[1] - EAVES[1]) / (SILL[0] - EAVES[0])
    np.testing.assert_allclose(longest[:, 1], on_it, atol=1.0)


def test_edges_beside_each_other_or_far_apart_are_others():
    level = np.array([[100, 100], [200, 100]], float)
    lines = np.array([level, level + [0, 4], level + [350, 0], level[::-1] + [120, 0.5]])
    found = edges.joined(lines)
    assert len(found) == 3
    np.testing.assert_allclose(np.sort(found[0][:, 0]), [100, 320], atol=0.01)


def test_nothing_is_found_where_there_is_nothing():
    assert edges.found(np.full(SIZE[::-1], 90, np.uint8)).shape == (0, 2, 2)
    assert edges.looked_at(1).tolist() == [0]
    assert edges.looked_at(8).tolist() == [0, 3, 6, 7]


def test_of_many_edges_the_longest_are_kept():
    rng = np.random.default_rng(1)
    seen = np.full((1000, 1600), 40, np.uint8)
    for middle in np.stack(np.meshgrid(np.arange(40, 1600, 80), np.arange(40, 1000, 80)), -1).reshape(-1, 2):
        way = np.array([np.cos(angle := rng.uniform(0, np.pi)), np.sin(angle)]) * rng.uniform(25, 36)
        ends = [tuple(int(part) for part in middle + side * way) for side in (-1, 1)]
        cv2.line(seen, *ends, 200, 6)
    found = edges.found(seen)
    length = np.hypot(*(found[:, 1] - found[:, 0]).T)
    assert len(found) == edges.MOST
    assert (np.diff(length) <= 0).all() and 48 < length.min() < 60
