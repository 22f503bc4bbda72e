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
