"""The even path."""

import numpy as np
import pytest

from kerbwalk import path


def test_an_even_walk_stays_as_it_is():
    line = np.outer(np.arange(60), [0.01, -0.002, 0.2])
    np.testing.assert_allclose(path.smoothed(line, 24), line, atol=1e-9)


def test_half_of_a_wave_of_the_period_is_kept():
    k = np.arange(288)
    for period, kept in ((24, 0.5), (96, 1 / (1 + 0.25**4)), (6, 1 / (1 + 4**4))):
        wave = np.cos(2 * np.pi * k / period)[:, None]
        inner = slice(48, -48)
        found = (path.smoothed(wave, 24)[inner] * wave[inner]).sum() / (wave[inner] ** 2).sum()
        # its second difference is not quite its second derivative
        assert found == pytest.approx(kept, abs=0.03)


def test_shake_is_gone_and_one_far_off_does_not_draw_the_path():
    rng = np.random.default_rng(3)
    walk = np.outer(np.arange(80), [0.0, 0.0, 0.2])
    shaken = walk + rng.normal(0, 0.012, walk.shape)
    shaken[40] += (0.5, 0, 0)
    known = np.ones(80, bool)
    known[[20, 21]] = False
    shaken[[20, 21]] = 1e6
    even = path.smoothed(shaken, 24, known)
    assert np.abs(even - walk).max() < 0.03
    assert np.sqrt(np.square(np.diff(even, 2, axis=0)).mean()) < 0.001


def test_a_path_within_limits_is_as_even_as_they_allow():
    """To the side nothing may be further off than 0.015, ahead than 0.1; one far off is left where it is."""
    rng = np.random.default_rng(3)
    walk = np.outer(np.arange(80), [0.0, 0.0, 0.2]) + rng.normal(0, 0.012, (80, 3))
    walk[40] += (0.5, 0, 0)
    limit = np.tile(np.diag([1 / 0.015**2] * 2 + [100.0]), (80, 1, 1))
    even, drawn = path.smoothed(walk, 24), path.smoothed(walk, 24, limit=limit)
    near = np.arange(80) != 40
    reached = [np.sqrt(np.einsum("ki,kij,kj->k", walk - one, limit, walk - one))[near].max() for one in (even, drawn)]
    assert reached[0] > 1.5
    assert reached[1] < 1.25, "its say has an end"
    uneven = [np.sqrt(np.square(np.diff(one, 2, axis=0)).mean()) for one in (even, drawn, walk)]
    assert uneven[0] < uneven[1] < 0.3 * uneven[2]
    assert np.abs(drawn - even)[40].max() < 0.02
    np.testing.assert_allclose(path.smoothed(walk, 24, limit=1e-6 * limit), even, atol=1e-5)


def test_frames_go_evenly_where_photos_between_them_are_dropped():
    place = np.cumsum(np.tile([0.2, 0.2, 0.05, 0.15], 20))[:, None]
    shown = np.tile([True, True, False, True], 20)
    even = path.smoothed(place, 24, None, shown)
    np.testing.assert_allclose(np.diff(even[shown], axis=0), 0.2, atol=1e-9)
    np.testing.assert_allclose(np.diff(even[1:4], axis=0), 0.1, atol=1e-9)


@pytest.mark.parametrize("count", [1, 2])
def test_too_few_to_smooth_stand_at_their_mean(count):
    values = np.arange(2.0 * count).reshape(count, 2)
    np.testing.assert_allclose(path.smoothed(values, 24), np.tile(values.mean(0), (count, 1)))
