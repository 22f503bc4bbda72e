"""A trend that is light and never flicker, and the three choices of what of it shows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import trend

PERIOD = 16


def deviation_from_a_line(values):
    k = np.arange(len(values))
    return values - np.polyval(np.polyfit(k, values, 1), k)


def dusk(stops, count):
    part = np.linspace(0, 1, count)
    return stops * part**2 * (3 - 2 * part)


@pytest.mark.parametrize("count", [24, 60, 120])
def test_trend_of_white_flicker_is_a_straight_line(count):
    """Of 20 shoots in steady light nearly all: likelihood takes a run of noise for a bend now and then."""
    bent = []
    for seed in range(20):
        flicker = np.random.default_rng(seed).normal(0, 0.09, count)
        bent.append(np.std(deviation_from_a_line(trend.trend(flicker, PERIOD))) / np.std(flicker))
    assert np.median(bent) < 0.03
    assert np.quantile(bent, 0.9) < 0.45


def test_steady_light_is_kept_steady():
    """As near to it as the mean of so many photos is, 0.55 %; a line through them is twice as far off at its ends."""
    nights = np.random.default_rng(5).normal(0, 0.06, (40, 120))
    worst = [np.abs(np.expm1(trend.trend(flicker, PERIOD))).max() for flicker in nights]
    assert np.median(worst) < 0.007 and np.quantile(worst, 0.9) < 0.013


@given(st.floats(-1, 1), st.floats(-0.05, 0.05), st.integers(2, 150), st.floats(4, 1000))
def test_trend_of_a_straight_line_is_itself(level, slope, count, period):
    line = level + slope * np.arange(count)
    if count < 5:
        line = np.full(count, level)
    np.testing.assert_allclose(trend.trend(line, period), line, atol=1e-6)


@pytest.mark.parametrize(("stops", "bar"), [(0.5, 0.025), (-2.0, 0.025), (4.0, 0.03), (-10.0, 0.03)])
def test_trend_follows_dusk(stops, bar):
    """As closely as 120 photos with 6 per cent of flicker allow, and smoothly."""
    for seed in range(5):
        flicker = np.random.default_rng(seed).normal(0, 0.087, 120)
        kept = trend.trend(dusk(stops, 120) + flicker, PERIOD)
        assert np.std(kept - dusk(stops, 120)) < bar
        # from its neighbours' mean no frame is off by more than 0.1 % of light beyond the dusk's own bend
        assert np.abs(np.diff(kept - dusk(stops, 120), 2)).max() / 2 < 0.0015


def test_trend_of_light_that_is_level_before_and_after():
    """Half a stop, little beside the flicker, is followed to 1.1 % on average; a line through it is off by 1.4 %."""
    noise = [np.random.default_rng(seed).normal(0, 0.087, 120) for seed in range(12)]
    off = [np.std(trend.trend(dusk(-0.5, 120) + flicker, PERIOD) - dusk(-0.5, 120)) for flicker in noise]
    assert np.mean(off) < 0.0175


def test_trend_of_clouds():
    """A slow wave without flicker is kept."""
    wave = 0.3 * np.sin(2 * np.pi * np.arange(120) / 45)
    np.testing.assert_allclose(trend.trend(wave, PERIOD), wave, atol=0.01)


def test_trend_bridges_unknown_values():
    line = np.linspace(0, 1, 50)
    holes = line.copy()
    holes[[0, 10, 11, 12, 49]] = np.nan
    np.testing.assert_allclose(trend.trend(holes, PERIOD)[1:-1], line[1:-1], atol=0.02)


# A 10-stop dusk with the shutter changed 8 times by 1 1/4 stops.
CHANGES = (33, 43, 50, 57, 63, 70, 77, 87)
KNOWN = 1.25 * np.searchsorted(CHANGES, np.arange(120), side="right")


def night(known, seed=1, flicker=0.087, error=0.0):
    """(measured log levels, light, flicker) of a night with these exposures."""
    light = dusk(-10.0, len(known))
    flick = np.random.default_rng(seed).normal(0, flicker, len(known))
    return np.log(2) * (light + known + flick + error), light, flick


def centred(values):
    return values - values.mean()


@pytest.mark.parametrize("show", ["photographed", "fell", "level"])
def test_no_step_shows(show):
    """Frame to frame the clip changes as smoothly as the night itself, whatever is shown."""
    measured, light, _ = night(KNOWN)
    settled = trend.settle(measured, KNOWN, show, PERIOD, 60)
    clip = measured / np.log(2) + settled.applied
    np.testing.assert_allclose(clip, settled.kept, atol=1e-9)
    assert np.abs(np.diff(clip, 2)).max() < 2 * np.abs(np.diff(light, 2)).max()
    assert not any(step.differs for step in settled.steps)


def test_as_the_light_fell():
    measured, light, _ = night(KNOWN)
    kept = trend.settle(measured, KNOWN, "fell", PERIOD, 60).kept
    assert np.std(kept - light) < 0.03


def test_as_photographed():
    """The clip darkens as the photos did: from first to last, and never far from them on the way."""
    measured, light, _ = night(KNOWN)
    kept = trend.settle(measured, KNOWN, "photographed", PERIOD, 60).kept
    photos = light + KNOWN
    assert np.abs(centred(kept) - centred(photos)).max() < 0.75  # half a step and what flicker adds
    assert kept[-1] - kept[0] == pytest.approx(photos[-1] - photos[0], abs=0.1)


def test_one_step_becomes_one_ramp():
    known = np.where(np.arange(60) >= 29, 2 / 3, 0.0)
    kept = trend.settle(np.log(2) * known, known, "photographed", PERIOD, 30).kept
    assert (np.diff(kept) > 0).all() and np.diff(kept).max() < 2 * (2 / 3) / 59
    assert kept[-1] - kept[0] == pytest.approx(2 / 3, abs=0.02)


def test_level():
    """Nothing shows, and the reference photo keeps its own brightness but for its flicker."""
    measured, light, _ = night(KNOWN)
    settled = trend.settle(measured, KNOWN, "level", PERIOD, 60)
    np.testing.assert_allclose(settled.kept, settled.kept[0])
    assert settled.kept[0] == pytest.approx((light + KNOWN)[60], abs=0.06)


def test_what_is_not_known_is_refused():
    with pytest.raises(ValueError, match="show"):
        trend.settle(np.zeros(5), np.zeros(5), "all", PERIOD, 0)


@given(st.integers(0, 50), st.integers(4, 80))
def test_what_is_applied_leaves_just_the_trend(seed, count):
    rng = np.random.default_rng(seed)
    measured, known = rng.normal(0, 0.1, count), rng.choice([0, 1 / 3, 2 / 3], count)
    settled = trend.settle(measured, known, "fell", PERIOD, 0)
    np.testing.assert_allclose(settled.estimated + known, measured / np.log(2), atol=1e-12)
    np.testing.assert_allclose(measured / np.log(2) + settled.applied, settled.kept, atol=1e-9)


def test_a_photo_that_could_not_be_measured_goes_by_its_neighbours():
    known = np.where(np.arange(40) == 7, 0.5, 0.0)
    measured = np.log(2) * (known + 0.01 * np.arange(40))
    measured[7] = np.nan
    applied = trend.settle(measured, known, "fell", PERIOD, 20).applied
    assert applied[7] == pytest.approx(-0.5, abs=1e-3)


def test_a_shoot_too_dark_to_measure_goes_by_its_exposure():
    known = np.where(np.arange(12) >= 5, 1.0, 0.0)
    np.testing.assert_array_equal(trend.settle(np.full(12, np.nan), known, "fell", PERIOD, 0).applied, -known)


def test_a_real_step_that_differs_is_found_and_is_not_light():
    """EXIF says a whole stop, the camera made 0.7: the light does not fall by 0.3 there."""
    known = np.where(np.arange(60) >= 30, 1.0, 0.0)
    error = np.where(np.arange(60) >= 30, -0.3, 0.0)
    flicker = np.random.default_rng(3).normal(0, 0.05, 60)
    settled = trend.settle(np.log(2) * (known + error + flicker), known, "fell", PERIOD, 10)
    (step,) = settled.steps
    assert step.photo == 30 and step.known == 1.0 and step.differs
    assert step.measured == pytest.approx(0.7, abs=3 * step.sigma)
    assert np.ptp(settled.kept) < 0.1


def test_steps_that_do_not_differ_are_left_alone():
    """Three standard deviations: one in some hundred is taken for another, no more."""
    wrong = 0
    for seed in range(30):
        measured, _, _ = night(KNOWN, seed)
        wrong += sum(step.differs for step in trend.settle(measured, KNOWN, "fell", PERIOD, 60).steps)
    assert wrong <= 4
