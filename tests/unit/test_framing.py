"""Framing: the crop lies inside every photo, and no larger one does."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import framing
from kerbwalk.homography import transfer
from kerbwalk.moves import moved, soft_moves

SIZE = (3000, 2000)
aspects = st.sampled_from([16 / 9, 1.0, 4 / 3, 9 / 16, 2.39])
shoots = st.lists(st.tuples(*[st.floats(-0.03, 0.03)] * 3), min_size=1, max_size=6)


def corners(crop):
    left, top, width, height = crop
    return np.array([[left, top], [left + width, top], [left + width, top + height], [left, top + height]])


def off_middle(crop):
    return np.abs(np.array(crop[:2]) + np.array(crop[2:]) / 2 - (1499.5, 999.5)).sum()


def inside_by(size, to_plane, points):
    """How far points of the plane lie inside all photos: pixels, negative outside."""
    least = np.inf
    for matrix in to_plane:
        x, y = transfer(np.linalg.inv(matrix), points).T
        least = min(least, x.min() + 0.5, y.min() + 0.5, size[0] - 0.5 - x.max(), size[1] - 0.5 - y.max())
    return least


def largest_by_search(size, to_plane, aspect, hold, margin):
    """Width of the largest crop, by a search over its middle that knows nothing of linear programmes: at each
    place the width is bisected; places are tried on a grid that closes in.
    """
    to_photo = [np.linalg.inv(matrix) for matrix in to_plane]
    low, high = np.full(2, margin - 0.5), np.array(size) - 0.5 - margin
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])

    def fits(middles, widths):
        half = np.column_stack([widths, widths / aspect]) / 2
        points = (middles[:, None] + signs * half[:, None]).reshape(-1, 2)
        ok = (np.abs(hold - middles) <= (1 - 2 * framing.HOLD_MARGIN) * half).all(1)
        for matrix in to_photo:
            seen = transfer(matrix, points).reshape(-1, 8)
            ok &= (seen.reshape(-1, 4, 2) >= low).all((1, 2)) & (seen.reshape(-1, 4, 2) <= high).all((1, 2))
        return ok

    best, reach = np.array(hold, float), max(size) / 4
    around = np.array([[i, j] for i in (0, -1, -0.5, 0.5, 1) for j in (0, -1, -0.5, 0.5, 1)])
    largest = 0.0
    while reach > 0.02:
        middles = best + reach * around
        # A crop is too large here, or it is too far from the hold point if it is too small: tried from large to small.
        widths = np.linspace(largest, max(size), 400)
        table = np.array([fits(middles, np.full(len(middles), width)) for width in widths])
        where, which = np.nonzero(table)
        if len(where) and widths[where[-1]] > largest:
            least, most = widths[where[-1]], widths[min(where[-1] + 1, len(widths) - 1)]
            best = middles[which[-1]]
            for _ in range(30):
                width = (least + most) / 2
                least, most = (width, most) if fits(best[None], np.array([width]))[0] else (least, width)
            largest = least
        reach *= 0.6
    return largest


@given(shoots, aspects, st.floats(0, 20), st.data())
def test_crop_lies_inside_every_photo_and_holds_the_hold_point(turned, angles, aspect, margin, data):
    to_plane = np.array([turned(SIZE, *a) for a in angles])
    hold = np.array([data.draw(st.floats(0.25, 0.75)), data.draw(st.floats(0.25, 0.75))]) * SIZE
    crop = framing.crop(SIZE, to_plane, aspect, hold, margin)
    assert inside_by(SIZE, to_plane, corners(crop)) >= margin - 1e-3
    assert crop[2] / crop[3] == pytest.approx(aspect)
    away = np.minimum(hold - crop[:2], np.add(crop[:2], crop[2:]) - hold) / crop[2:]
    assert (away >= framing.HOLD_MARGIN - 1e-6).all()


@pytest.mark.parametrize("seed", range(5))
def test_no_larger_crop_is_possible(turned, seed):
    rng = np.random.default_rng(seed)
    to_plane = np.array([turned(SIZE, *angles) for angles in rng.uniform(-0.03, 0.03, (4, 3))])
    aspect, hold = (16 / 9, 1.0, 9 / 16, 4 / 3, 2.39)[seed], rng.uniform(0.3, 0.7, 2) * SIZE
    crop = framing.crop(SIZE, to_plane, aspect, hold, 5, give=0)
    searched = largest_by_search(SIZE, to_plane, aspect, hold, 5)
    # the search comes near from below
    assert searched * (1 - 1e-5) <= crop[2] < searched * 1.003
    # what is given up is given up for a place nearer to the middle
    central = framing.crop(SIZE, to_plane, aspect, hold, 5)
    assert crop[2] * (1 - framing.GIVEN - 1e-5) <= central[2] <= crop[2]
    assert off_middle(central) <= off_middle(crop)


@pytest.mark.parametrize("aspect", [1.0, 2.39])
def test_a_crop_lies_in_the_middle_where_that_costs_next_to_nothing(turned, aspect):
    """Photos that lean leave a little more room at an edge: for that alone crops would lie 490 and 370 px off."""
    to_plane = np.array([np.eye(3), turned(SIZE, 0.0, 0.0, 0.0015), turned(SIZE, 0.001, 0.0015, -0.001)])
    crop = framing.crop(SIZE, to_plane, aspect, (1499.5, 999.5), 5)
    assert off_middle(crop) < 1


@pytest.mark.parametrize(
    ("aspect", "expected"),
    [(1.5, (-0.5, -0.5, 3000, 2000)), (16 / 9, (-0.5, 155.75, 3000, 1687.5)), (1, (499.5, -0.5, 2000, 2000))],
)
def test_photos_that_agree_are_cropped_by_the_aspect_alone(aspect, expected):
    crop = framing.crop(SIZE, np.array([np.eye(3)] * 3), aspect, (1499.5, 999.5), 0)
    np.testing.assert_allclose(crop, expected, atol=5e-3)


def test_the_hold_point_draws_the_crop_with_it():
    left, top, width, height = framing.crop(SIZE, np.eye(3)[None], 16 / 9, (1499.5, 60.0), 0, give=0)
    assert width == pytest.approx(3000, rel=1e-5)
    assert (60.0 - top) / height == pytest.approx(framing.HOLD_MARGIN, abs=1e-4)


def test_no_crop_at_all():
    apart = np.array([np.eye(3), [[1, 0, 3100], [0, 1, 0], [0, 0, 1]]], float)
    with pytest.raises(ValueError, match="no crop"):
        framing.crop(SIZE, apart, 1.5, (1500, 1000), 0)
    with pytest.raises(ValueError, match="no crop"):
        framing.crop(SIZE, np.eye(3)[None], 1.5, (-200, 1000), 0)


@given(shoots, aspects, st.floats(0.5, 2), st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)))
def test_a_moving_crop_lies_inside_every_photo(turned, angles, aspect, push_in, pan):
    to_plane = np.array([turned(SIZE, *a) for a in angles])
    hold = np.array([0.5, 0.45]) * SIZE
    moves = soft_moves(len(angles), push_in, pan)
    crop = framing.crop(SIZE, to_plane, aspect, hold, 6, None, moves)
    for k, matrix in enumerate(to_plane):
        one = moved(crop, hold, moves[k])
        assert inside_by(SIZE, matrix[None], corners(one)) >= 6 - 1e-3
        away = np.minimum(hold - one[:2], np.add(one[:2], one[2:]) - hold) / one[2:]
        assert (away >= framing.HOLD_MARGIN - 1e-6).all()
        assert one[2] / one[3] == pytest.approx(aspect)
    if len(angles) > 1:
        assert one[2] == pytest.approx(crop[2] / push_in)


def test_the_hold_point_at_a_third():
    crop = framing.crop(SIZE, np.eye(3)[None], 16 / 9, (1500, 900), 0, (1 / 3, 0.5))
    left, top, width, height = crop
    assert ((1500 - left) / width, (900 - top) / height) == pytest.approx((1 / 3, 0.5))
    # as large as the right edge lets it be
    assert left + width == pytest.approx(2999.5, abs=0.01) or top + height == pytest.approx(1999.5, abs=0.01)


def test_the_photo_that_costs_most_is_named(turned):
    rng = np.random.default_rng(9)
    to_plane = np.array([turned(SIZE, *angles) for angles in rng.uniform(-0.003, 0.003, (20, 3))])
    to_plane[7] = turned(SIZE, 0.06, 0.0, 0.0)
    to_plane[12] = turned(SIZE, 0.0, 0.12, 0.0)
    hold = np.array([1500.0, 900.0])
    # one of them stands in for another as well
    photo = np.array([f"{k}.dng" for k in [*range(20), 7]])
    to_plane = to_plane[[*range(20), 7]]
    for move in (None, soft_moves(21, 1.02, (0.01, 0.0))):
        found = framing.costly(SIZE, to_plane, photo, 16 / 9, hold, 4, move=move)
        out, area = found[-1]
        assert sorted(out) == ["12.dng", "7.dng"]
        rest = ~np.isin(photo, out)
        moves = None if move is None else move[rest]
        crop = framing.crop(SIZE, to_plane[rest], 16 / 9, hold, 4, move=moves)
        assert area == pytest.approx(crop[2] * crop[3])
        assert framing.costly(SIZE, to_plane[rest], photo[rest], 16 / 9, hold, 4, move=moves) == []


def test_of_upright_photos_the_middle_is_shown(turned):
    """A largest crop that lies elsewhere would show the pavement, for a few pixels."""
    size = SIZE[::-1]
    to_plane = np.array([turned(size, 0.0, tilt, 0.0) for tilt in (0.0, 0.004, 0.008)])
    left, top, width, height = framing.crop(size, to_plane, 16 / 9, (1000.0, 1500.0), 5)
    assert abs(top + height / 2 - 1500) < 60
    assert 0.97 * size[0] < width < size[0]


def test_shifts_widen_the_borders_they_lead_over():
    grid = np.zeros((5, 7, 2))
    grid[2, 0] = (-3, 0)
    grid[4, 3] = (0, 2)
    grid[0, 6] = (-5, 1)
    np.testing.assert_allclose(framing.shift_margins(grid), [3, 0, 0, 2])


def test_the_crop_about_a_point():
    turned_a_little = np.array([np.eye(3), [[1, 0, 20], [0, 1, -10], [0, 0, 1]]], float)
    crop = framing.crop(SIZE, turned_a_little, 1.5, (1500, 900), 0, centre=(1300, 900))
    middle = np.array(crop[:2]) + np.array(crop[2:]) / 2
    np.testing.assert_allclose(middle, (1300, 900), atol=1e-6)
    # as wide as the left edge of the photo that lies further right lets it be
    assert crop[2] == pytest.approx(2 * (1300 - 19.5), rel=1e-5)
