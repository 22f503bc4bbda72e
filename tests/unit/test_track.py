"""Tracking, on a shoot whose every photo is a known homography of one texture."""

import numpy as np
import pytest

from kerbwalk import follow, track
from kerbwalk.homography import jacobian, transfer

SIZE = (640, 426)
HOLD = np.array([335.0, 190.0])
REFERENCE, WALKED_PAST, COVERED, ELSEWHERE = 4, 2, 6, 7


def place(pictures, reference, hold, pool=map):
    grey = pictures.__getitem__
    return track.place(grey, follow.follow_shoot(grey, len(pictures), reference, pool), reference, hold, pool)


@pytest.fixture(scope="module")
def shoot(waves, turned):
    """(pictures, homographies from the reference): ten photos that wander, grow, roll and flicker."""
    rng = np.random.default_rng(21)
    texture, pictures, matrices = waves(21), [], []
    for k in range(10):
        size = 1 + 0.006 * (k - REFERENCE)
        grow = np.array([[size, 0, 320 * (1 - size)], [0, size, 213 * (1 - size)], [0, 0, 1]])
        turn = np.eye(3) if k == REFERENCE else turned(SIZE, *rng.normal(0, 0.012, 3)) @ grow
        picture = texture.seen(SIZE, turn) * rng.uniform(0.85, 1.15) + rng.normal(0, 120, SIZE[::-1])
        pictures.append(np.clip(picture, 0, 65535))
        matrices.append(turn)
    x, y = np.rint(transfer(matrices[WALKED_PAST], HOLD[None])[0]).astype(int)
    pictures[WALKED_PAST][:, x + 10 : x + 60] = 3000  # a walker beside the hold point
    x, y = np.rint(transfer(matrices[COVERED], HOLD[None])[0]).astype(int)
    pictures[COVERED][y - 110 : y + 110, x - 110 : x + 110] = 3000 + 8 * np.arange(220)[:, None]  # a bus in front of it
    pictures[ELSEWHERE] = waves(77).seen(SIZE)
    return [p.astype(np.uint16) for p in pictures], matrices


@pytest.fixture(scope="module")
def placed(shoot):
    return place(shoot[0], REFERENCE, HOLD)


def test_all_but_the_photo_of_something_else_are_placed(placed):
    assert [k for k, p in enumerate(placed) if isinstance(p, str)] == [ELSEWHERE]


def test_hold_point(shoot, placed):
    for k, matrix in enumerate(shoot[1]):
        if k != ELSEWHERE:
            error = np.hypot(*(placed[k].hold - transfer(matrix, HOLD[None])[0]))
            assert error < (0.3 if k == COVERED else 0.05), f"photo {k} is off by {error:.3f} px"


def test_lean_and_scale(shoot, placed):
    for k, matrix in enumerate(shoot[1]):
        if k != ELSEWHERE:
            down = jacobian(matrix, HOLD) @ [0, 1]
            assert placed[k].lean == pytest.approx(np.arctan2(-down[0], down[1]), abs=1.5e-3)
            assert placed[k].scale == pytest.approx(np.hypot(*down), abs=2e-3)


def test_likeness_tells_what_is_covered(placed):
    likeness = [0.0 if isinstance(p, str) else p.likeness for p in placed]
    assert likeness[REFERENCE] == 1
    assert all(likeness[k] > 0.9 for k in range(10) if k not in (COVERED, ELSEWHERE, WALKED_PAST))
    assert likeness[WALKED_PAST] > 0.75
    assert likeness[COVERED] == 0


@pytest.mark.parametrize(
    ("photo", "off", "reach", "found"),
    [(1, (7, -6), 8, True), (8, (-6, 7), 8, True), (1, (7, -6), 3, False), (COVERED, (2, 2), 8, False)],
)
def test_what_is_read_off_by_hand_is_looked_for_as_far_as_it_may_be_off(shoot, placed, photo, off, reach, found):
    pictures, matrices = shoot
    true = transfer(matrices[photo], HOLD[None])[0]
    like, read = placed[photo], true + off
    at = track.reread(pictures[REFERENCE], pictures[photo], HOLD, read, like.lean, like.scale, np.array([reach] * 2))
    np.testing.assert_allclose(at, true if found else read, atol=0.05 if found else 0)


def test_a_point_is_as_exact_as_it_is_written():
    points = ([0.47, 0.3], [0.4712, 0.3], [0.5, 0.5], [0, 1])
    assert [track.exactness(point) for point in points] == pytest.approx([0.01, 0.0001, 0.01, 0.01])


def test_reference_stays_where_it_is(placed):
    np.testing.assert_allclose(placed[REFERENCE].hold, HOLD, atol=1e-3)
    assert placed[REFERENCE].lean == pytest.approx(0, abs=1e-4)
    assert placed[REFERENCE].scale == pytest.approx(1, abs=1e-4)


def test_two_threads_give_the_same(shoot, placed):
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(2) as pool:
        again = place(shoot[0], REFERENCE, HOLD, pool.map)
    for one, other in zip(placed, again, strict=True):
        if isinstance(one, str):
            assert one == other
        else:
            assert (one.hold == other.hold).all() and one.lean == other.lean and one.scale == other.scale


def test_a_larger_proxy_is_followed_reduced_and_placed_in_its_own_pixels(waves):
    """Above 1280 pixels corners are followed at half the size, the pixels of which lie half a pixel aside."""
    size, hold = (1300, 860), np.array([640.0, 400.0])
    shift = np.array([[1, 0, 7.25], [0, 1, -4.5], [0, 0, 1]])
    texture = waves(31, shortest=18, longest=90)
    pictures = [texture.seen(size, m).astype(np.uint16) for m in (None, shift)]
    placed = place(pictures, 0, hold)
    np.testing.assert_allclose(placed[1].hold, hold + (7.25, -4.5), atol=0.03)


def test_auto_hold_prefers_what_lasts_near_the_middle(shoot, waves):
    pictures, _ = shoot
    lasting = [p for k, p in enumerate(pictures) if k not in (ELSEWHERE, COVERED)]
    changing = []
    for k, picture in enumerate(lasting):
        # the right half shows something else in every photo
        changing.append(np.where(np.arange(SIZE[0]) > 330, waves(100 + k).seen(SIZE), picture).astype(np.uint16))
    followed = follow.follow_shoot(changing.__getitem__, len(changing), REFERENCE)
    found = track.choose_hold(followed, SIZE, REFERENCE)
    (x, y), score = found[0]
    assert score == 1
    assert x < 330 and abs(x - 320) < 0.35 * SIZE[0] and abs(y - 213) < 0.4 * SIZE[1]
    assert [s for _, s in found] == sorted((s for _, s in found), reverse=True)


def test_auto_hold_keeps_off_where_two_depths_meet():
    """Left and right of the middle two walls, of which the nearer goes by 0.5 px a photo against the other's 0.2."""
    rng = np.random.default_rng(8)
    spread, seam = rng.uniform((20, 20), (620, 406), (400, 2)), rng.normal((320, 213), (12, 12), (15, 2))
    corners = np.concatenate([spread, seam])
    steps = np.where(corners[:, :1] < 320, 0.2, 0.5) * [1, 0]
    at = np.array([corners + steps * k + rng.normal(0, 0.03, corners.shape) for k in range(9)])
    lies = np.array([follow.shifted((0.35 * k, 0)) for k in range(9)])
    photo, point = (index.ravel() for index in np.indices(at.shape[:2]))
    followed = follow.Followed(photo, point, at.reshape(-1, 2), np.zeros(9, int), np.ones(9, bool), lies)
    best = track.choose_hold(followed, SIZE, 0)[0][0]
    assert abs(best[0] - 320) > track.PATCH * SIZE[0], best


def test_auto_hold_of_a_picture_without_a_corner_is_its_middle():
    black = np.zeros((2, 426, 640), np.uint16)
    ((middle, score),) = track.choose_hold(follow.follow_shoot(black.__getitem__, 2, 0), SIZE, 0)
    np.testing.assert_allclose(middle, np.array(SIZE) / 2, atol=1)
    assert score == 0


def test_a_black_photo_is_named_and_a_black_reference_names_all(shoot):
    pictures = [*shoot[0][3:6], np.zeros_like(shoot[0][0])]
    placed = place(pictures, 1, HOLD)
    assert [isinstance(p, str) for p in placed] == [False, False, False, True]
    placed = place(pictures, 3, HOLD)
    assert [isinstance(p, str) for p in placed[:3]] == [True, True, True]


def test_auto_hold_is_what_the_photos_are_aimed_at():
    """A monument before houses, which it leaves behind by 30 px a photo, though most corners are theirs."""
    rng, middle = np.random.default_rng(12), np.array([350, 230])
    houses, monument = rng.uniform((20, 20), (620, 406), (500, 2)), rng.normal(middle, (14, 25), (40, 2))
    sights, lies = [], []
    for k in range(9):
        moved = houses + [30.0 * (k - 4), 0]
        seen = np.append((np.abs(moved - middle) > (45, 80)).any(1), np.full(40, True))
        at = np.concatenate([moved, monument]) + rng.normal(0, 0.05, (540, 2)) + rng.normal(0, 3, 2)
        seen &= (at > 0).all(1) & (at < SIZE).all(1)
        sights.append((np.full(seen.sum(), k), np.flatnonzero(seen), at[seen]))
        lies.append(follow.shifted((30.0 * (k - 4), 0)))
    photo, point, at = (np.concatenate(part) for part in zip(*sights, strict=True))
    followed = follow.Followed(photo, point, at, np.full(9, 4), np.ones(9, bool), np.array(lies))
    best = track.choose_hold(followed, SIZE, 4)[0][0]
    assert np.abs(best - middle).max() < 50, best
