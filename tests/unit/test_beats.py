"""Light that beats by itself, found by what places have of it."""

import numpy as np
import pytest

from kerbwalk import beats

COUNT, POINTS = 50, 60


def walk(beating, seed=1):
    """(photo, point, value) of places, of which a bus lights most in six photos, some are hidden now and then, and each
    drifts; and their shares, (POINTS, b), of the beats, (b, COUNT)."""
    rng = np.random.default_rng(seed)
    share = rng.uniform(0.2, 1, (POINTS, len(beating))) * (rng.random((POINTS, len(beating))) < 0.4)
    value = rng.normal(0, 1, POINTS) + np.arange(COUNT)[:, None] * rng.normal(0, 1e-3, POINTS)
    value = value + rng.normal(0, 3e-3, value.shape) + beating.T @ share.T
    value[20:26] += rng.uniform(0.05, 0.5, POINTS) * (rng.random(POINTS) < 0.8)
    value[rng.random(value.shape) < 0.05] -= 0.3
    value[rng.random(value.shape) < 0.1] = np.nan
    photo, point = (part.ravel() for part in np.indices(value.shape))
    return (photo, point, value.ravel()), share


@pytest.mark.parametrize("sizes", [(), (0.08,), (0.2, 0.08)])
def test_beats_are_found_and_what_passes_is_none(sizes):
    beating = np.random.default_rng(2).normal(0, 1, (len(sizes), COUNT)) * np.array(sizes)[:, None]
    sights, share = walk(beating)
    found = beats.found(COUNT, *sights)
    # What one vector leaves of a beat may be another.
    assert len(sizes) <= len(found) <= 2 * len(sizes)
    taken = beats.shares(found, POINTS, *sights)
    # Of two beats one may have some of the other's; and where the bus comes and goes nobody knows.
    wrong = np.delete(found[:, 1:].T @ taken.T - np.diff(beating).T @ share.T, [19, 25], axis=0)
    assert np.sqrt(np.square(wrong).mean()) < 0.15 * max(sizes, default=1)


def test_a_walk_of_nothing_has_no_beats():
    for count in (0, 1, 5):
        photo, point = (part.ravel() for part in np.indices((count, 3)))
        found = beats.found(9, photo, point, np.zeros(len(photo)))
        assert found.shape == (0, 9)
        assert beats.shares(found, 3, photo, point, np.zeros(len(photo))).shape == (3, 0)


def test_changes_are_from_each_photo_to_the_next_that_there_is():
    """Photo 3 has no sights at all; the second place is not known in photo 2."""
    photo, point = np.array([1, 2, 4, 1, 2, 4]), np.array([0, 0, 0, 1, 1, 1])
    later, which, change = beats.changes(photo, point, np.array([0.0, 1, 3, 5, np.nan, 9]))
    assert list(zip(later, which, change, strict=True)) == [(2, 0, 1.0), (4, 0, 2.0)]
