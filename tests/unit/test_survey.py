"""A board before a wall: the corners of the wall lead elsewhere than the board goes."""

import numpy as np
import pytest

from kerbwalk import follow, steady, survey, track
from kerbwalk.homography import transfer

SIZE, COUNT, REFERENCE = (640, 426), 9, 4
CAMERA = steady.camera_matrix(*SIZE)
HOLD = np.array([324.0, 208.0])
NEAR, FAR = 1.0, 0.25  # the board's inverse depth, and the wall's
HALF = np.array([42, 60])  # of the board, pixels of the reference


def seen(k, nearness):
    """From the reference's picture to photo k of what is so near; all photos are aimed at the board."""
    place, yaw = np.array([0.04 * (k - REFERENCE), 0, 0]), np.arctan(0.04 * (k - REFERENCE))
    turn = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    return CAMERA @ turn @ (np.eye(3) - np.outer(place, [0, 0, nearness])) @ np.linalg.inv(CAMERA)


@pytest.fixture(scope="module")
def shoot(waves):
    """(photos, follow.Followed)"""
    rng, wall, board, photos = np.random.default_rng(3), waves(41), waves(42), []
    x, y = np.meshgrid(*map(np.arange, SIZE))
    for k in range(COUNT):
        back = transfer(np.linalg.inv(seen(k, NEAR)), np.column_stack([x.ravel(), y.ravel()])).reshape(*x.shape, 2)
        before = (np.abs(back - HOLD) < HALF).all(2)
        photo = np.where(before, board.seen(SIZE, seen(k, NEAR)), wall.seen(SIZE, seen(k, FAR)))
        photos.append(np.uint16(np.clip(photo + rng.normal(0, 120, photo.shape), 0, 65535)))
    return photos, follow.follow_shoot(photos.__getitem__, COUNT, REFERENCE)


def off(placed, nearness, hold):
    """Distance of each photo's hold point from the truth."""
    truth = [transfer(seen(k, nearness), hold[None])[0] for k in range(COUNT)]
    return np.hypot(*np.subtract([one.hold for one in placed], truth).T)


def test_a_board_before_a_wall_is_held_and_not_the_wall(shoot):
    photos, followed = shoot
    grey = photos.__getitem__
    placed = track.place(grey, followed, REFERENCE, HOLD)
    assert off(placed, NEAR, HOLD).max() > 20, "the corners at large tell it wrongly"
    assert survey.doubtful(placed, followed, REFERENCE, HOLD, SIZE[0])
    again = survey.place(grey, followed, placed, REFERENCE, HOLD, None)
    assert off(again, NEAR, HOLD).max() < 0.15
    assert all(one.likeness > 0.9 for one in again)


def test_level_points_are_led_as_well(shoot):
    photos, followed = shoot
    grey, level = photos.__getitem__, HOLD + np.array([[-5.0, -38.0], [-5.0, 36.0]])
    placed = track.place(grey, followed, REFERENCE, HOLD, level=level)
    again = survey.place(grey, followed, placed, REFERENCE, HOLD, None, level)
    for k in range(COUNT):
        if k != REFERENCE:
            np.testing.assert_allclose(again[k].level, transfer(seen(k, NEAR), level), atol=0.3)


def test_a_point_of_the_wall_is_not_doubted(shoot):
    photos, followed = shoot
    hold = np.array([150.0, 208.0])
    placed = track.place(photos.__getitem__, followed, REFERENCE, hold)
    assert off(placed, FAR, hold).max() < 0.15
    assert not survey.doubtful(placed, followed, REFERENCE, hold, SIZE[0])


def test_what_the_photos_bear_out_less_is_not_taken(shoot):
    """Placed rightly already, the survey's has to be better to count."""
    photos, followed = shoot
    hold = np.array([150.0, 208.0])
    placed = track.place(photos.__getitem__, followed, REFERENCE, hold)
    again = survey.place(photos.__getitem__, followed, placed, REFERENCE, hold, None)
    assert off(again, FAR, hold).max() < 0.15


def test_where_nothing_is_seen_next_to_it_all_stays(shoot):
    photos, followed = shoot
    black = [np.where(np.abs(np.arange(SIZE[0]) - HOLD[0]) < 80, 0, photo).astype(np.uint16) for photo in photos]
    placed = track.place(black.__getitem__, followed, REFERENCE, HOLD)
    assert survey.place(black.__getitem__, followed, placed, REFERENCE, HOLD, None) is placed
