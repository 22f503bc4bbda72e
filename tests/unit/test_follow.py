"""Corners that are followed, where the ground before a wall goes by."""

import numpy as np

from kerbwalk import follow

SIZE = (640, 426)
COUNT, REFERENCE, GROUND, STEP = 11, 5, 270, 28


def test_ground_that_goes_by_is_followed_as_far_as_the_wall(waves):
    """By 28 pixels a photo, where a corner's patch is 17: two photos from a key it is beyond what is looked at."""
    rng = np.random.default_rng(7)
    wall, ground, aim = waves(31), waves(32), rng.integers(-4, 5, (COUNT, 2))
    photos = []
    for k in range(COUNT):
        near = np.array([[1, 0, STEP * (k - REFERENCE) + aim[k, 0]], [0, 1, aim[k, 1]], [0, 0, 1]], float)
        far = near.copy()
        far[0, 2] = aim[k, 0]
        picture, below = wall.seen(SIZE, far), ground.seen(SIZE, near)
        picture[GROUND + aim[k, 1] :] = below[GROUND + aim[k, 1] :]
        photos.append(np.clip(picture + rng.normal(0, 200, picture.shape), 0, 65535).astype(np.uint16))
    found = follow.follow_shoot(photos.__getitem__, COUNT, REFERENCE)
    lasted = {}
    for name, own, step in (("wall", found.at[:, 1] < GROUND - 20, 0), ("ground", found.at[:, 1] > GROUND + 20, STEP)):
        # Where each sight lies as the reference would have it: of a corner that is followed rightly, at one place.
        place = found.at - aim[found.photo] - np.outer(found.photo - REFERENCE, [step, 0])
        usual = np.array([np.median(place[found.point == n], axis=0) for n in range(found.point.max() + 1)])
        right = own & (np.hypot(*(place - usual[found.point]).T) < 1)
        lasted[name] = np.bincount(found.point[right])
    assert (lasted["wall"] >= 10).sum() > 100
    assert (lasted["ground"] >= 5).sum() > 100, "looked for where the wall leads, not one"


def test_where_little_obeys_one_homography_over_some_steps_it_is_followed_over_one(waves):
    """Eleven strips go aside at paces of their own, as columns and walls do beside a walk through an arcade."""
    rng = np.random.default_rng(9)
    paces, photos = rng.permutation(np.linspace(-8, 8, 11)), []
    strips = [waves(50 + n) for n in range(len(paces))]
    tops = np.linspace(0, SIZE[1], len(paces) + 1).astype(int)
    for k in range(COUNT):
        picture = np.empty(SIZE[::-1], np.float32)
        for strip, pace, top, bottom in zip(strips, paces, tops, tops[1:], strict=False):
            moved = np.array([[1, 0, pace * (k - REFERENCE)], [0, 1, 0], [0, 0, 1]])
            picture[top:bottom] = strip.seen(SIZE, moved)[top:bottom]
        photos.append(np.clip(picture + rng.normal(0, 200, picture.shape), 0, 65535).astype(np.uint16))
    found = follow.follow_shoot(photos.__getitem__, COUNT, REFERENCE)
    assert (found.source >= 0).all()
    assert np.bincount(found.photo).min() > 100
