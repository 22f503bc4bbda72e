"""Light: steps and ratios that are known, and a trend that is light and never flicker."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import exposure, light

SIZE = (400, 266)
HOLD = np.array([200.0, 110.0])


@pytest.fixture(scope="module")
def scene(waves):
    """A night street of the known texture, float32: levels from 1 % to 30 % of white."""
    return (600 * np.exp(1.1 * waves(41, 20, 120).seen(SIZE, level=1.5, contrast=1.0))).astype(np.float32)


def shown(picture):
    return picture < 0.9 * light.WHITE


def noisy(picture, rng):
    """Photon noise as of 30,000 electrons at white, averaged over the 40 or so pixels behind one of the proxy."""
    return np.float32(picture + rng.normal(size=picture.shape) * np.sqrt(picture * light.WHITE / 30000 / 40))


@given(st.floats(0.001, 30), st.floats(1.4, 22), st.floats(50, 6400))
def test_known_stops(shutter, aperture, iso):
    stops = exposure.known_stops(shutter, aperture, iso)
    assert exposure.known_stops(2 * shutter, aperture, iso) - stops == pytest.approx(1)
    assert exposure.known_stops(shutter, aperture * np.sqrt(2), iso) - stops == pytest.approx(-1)
    assert exposure.known_stops(shutter, aperture, 4 * iso) - stops == pytest.approx(2)
    assert np.isnan(exposure.known_stops(np.nan, aperture, iso))


@pytest.mark.parametrize("gain", [0.5, 0.94, 1.0, 1.07, 1.9])
def test_ratio(scene, gain):
    rng = np.random.default_rng(1)
    first, second = noisy(scene, rng), noisy(scene * gain, rng)
    found = light.ratio(first, shown(first), second, shown(second), HOLD, 1)
    assert found.log == pytest.approx(np.log(gain), abs=1e-3)
    assert found.pixels > 0.8 * scene.size
    # its own word on how sure it is holds
    assert abs(found.log - np.log(gain)) < 4 * found.sigma < 0.01


@pytest.mark.parametrize("share", [0.2, 0.35])
@pytest.mark.parametrize("change", [0.2, 1.5, 4.0])
def test_ratio_with_a_bus_that_lights_or_covers_part_of_the_picture(scene, share, change):
    rng = np.random.default_rng(2)
    first, second = noisy(scene, rng), noisy(scene * 1.05, rng)
    second[:, : int(share * SIZE[0])] *= change
    found = light.ratio(first, shown(first), second, shown(second), HOLD, 1)
    assert found.log == pytest.approx(np.log(1.05), abs=2e-3)


def test_ratio_of_a_picture_laid_a_little_aside(waves):
    """Texture that is a third of a proxy pixel off cancels in the sums of blocks."""
    texture = waves(42, 12, 60)
    first = texture.seen(SIZE, None, 4000, 1000)
    second = 0.97 * texture.seen(SIZE, np.array([[1, 0, 0.3], [0, 1, -0.2], [0, 0, 1]]), 4000, 1000)
    found = light.ratio(first, shown(first), second, shown(second), HOLD, 1)
    assert found.log == pytest.approx(np.log(0.97), abs=1e-3)


def test_nothing_corresponds(scene):
    nowhere = np.zeros(scene.shape, bool)
    assert light.ratio(scene, nowhere, scene, shown(scene), HOLD, 1) is None
    dark = np.full_like(scene, 50)
    assert light.ratio(dark, shown(dark), dark, shown(dark), HOLD, 1) is None


def test_usable_keeps_away_from_clipping():
    clipped = np.zeros((20, 30), np.float32)
    clipped[10, 15] = 0.05
    inside = np.ones((20, 30), bool)
    inside[0] = False
    ok = light.usable(np.full((20, 30), 1000, np.float32), clipped, inside)
    assert not ok[0].any()
    assert np.argwhere(~ok[1:]).tolist() == [[8, 15], [9, 14], [9, 15], [9, 16], [10, 15]]
    assert not light.usable(np.full((20, 30), 60000, np.float32), 0 * clipped, inside).any()


def links(levels, steps=light.STEPS, sigma=1e-3):
    return {
        (i, i + s): light.Ratio(levels[i + s] - levels[i], sigma, 1000) for s in steps for i in range(len(levels) - s)
    }


@given(st.integers(2, 40), st.integers(0, 10))
def test_levels_of_links_that_agree(count, seed):
    truth = np.random.default_rng(seed).normal(0, 0.1, count)
    found, sigmas = light.levels(count, links(truth))
    np.testing.assert_allclose(found, truth - truth.mean(), atol=1e-6)
    assert (sigmas > 0).all()


def test_levels_leave_out_links_that_do_not_agree():
    truth = np.random.default_rng(5).normal(0, 0.06, 60)
    ratios = links(truth)
    wrong = list(ratios)[::9]
    for pair in wrong:
        ratios[pair].log += 0.3
    found, _ = light.levels(60, ratios)
    assert np.abs(found - (truth - truth.mean())).max() < 0.005


def test_levels_of_photos_without_links():
    truth = np.array([0.1, -0.1, 0.3, 0.0])
    found, sigmas = light.levels(5, links(truth))
    assert np.isnan(found[4]) and np.isnan(sigmas[4])
    assert np.isnan(light.levels(3, {})[0]).all()


def deviation_from_a_line(values):
    k = np.arange(len(values))
    return values - np.polyval(np.polyfit(k, values, 1), k)


@pytest.mark.parametrize("count", [24, 60, 120])
def test_trend_of_white_flicker_is_a_straight_line(count):
    """Of 20 shoots in steady light nearly all: likelihood takes a run of noise for a bend now and then."""
    bent = []
    for seed in range(20):
        flicker = np.random.default_rng(seed).normal(0, 0.09, count)
        bent.append(np.std(deviation_from_a_line(light.trend(flicker, 30))) / np.std(flicker))
    assert np.median(bent) < 0.03
    assert max(bent) < 0.4


@given(st.floats(-1, 1), st.floats(-0.05, 0.05), st.integers(4, 150), st.floats(4, 1000))
def test_trend_of_a_straight_line_is_itself(level, slope, count, period):
    line = level + slope * np.arange(count)
    np.testing.assert_allclose(light.trend(line, period), line, atol=1e-6)


@pytest.mark.parametrize("stops", [0.5, -2.0, 4.0])
def test_trend_follows_dusk(stops):
    part = np.linspace(0, 1, 120)
    dusk = stops * part**2 * (3 - 2 * part)
    flicker = np.random.default_rng(7).normal(0, 0.09, 120)
    kept = light.trend(dusk + flicker, 30)
    # what is left in the trend of 0.09 stops of flicker
    assert np.std(kept - dusk) < 0.03
    # and it is smooth: from its neighbours' mean no frame is off by more than 0.1 % of light
    assert np.abs(np.diff(kept, 2)).max() / 2 < 0.0015


def test_trend_bridges_unknown_values():
    line = np.linspace(0, 1, 50)
    holes = line.copy()
    holes[[0, 10, 11, 12, 49]] = np.nan
    np.testing.assert_allclose(light.trend(holes, 30)[1:-1], line[1:-1], atol=0.02)


@given(st.integers(0, 50), st.integers(4, 80))
def test_what_is_applied_leaves_just_the_trend(seed, count):
    rng = np.random.default_rng(seed)
    measured, known = rng.normal(0, 0.1, count), rng.choice([0, 1 / 3, 2 / 3], count)
    estimated, kept, applied = light.deflicker(measured, known, 30)
    np.testing.assert_allclose(estimated + known, measured / np.log(2), atol=1e-12)
    np.testing.assert_allclose(measured / np.log(2) + applied, kept, atol=1e-12)


def test_a_photo_that_could_not_be_measured_goes_by_its_exposure():
    measured = np.zeros(20)
    known = np.zeros(20)
    measured[7], known[7] = np.nan, 0.5
    _, _, applied = light.deflicker(measured, known, 30)
    assert applied[7] == -0.5


def test_a_shoot_too_dark_to_measure_goes_by_its_exposure():
    known = np.where(np.arange(12) >= 5, 1.0, 0.0)
    _, _, applied = light.deflicker(light.levels(12, {})[0], known, 30)
    np.testing.assert_array_equal(applied, -known)


def test_a_change_of_exposure_leaves_no_step():
    """The light has dusk and flicker in it, and the shutter is changed by 2/3 of a stop half way."""
    k = np.arange(60)
    dusk, known = -0.5 * k / 59, np.where(k >= 29, 2 / 3, 0.0)
    flicker = np.random.default_rng(8).normal(0, 0.08, 60)
    measured = np.log(2) * (dusk + known + flicker)
    result = measured / np.log(2) + light.deflicker(measured, known, 30)[2]
    assert max(abs(b - a) for a, b in pairwise(result)) < 0.02
