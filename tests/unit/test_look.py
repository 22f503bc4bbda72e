"""The look: what the tone curve and the whole transform must do whatever the settings."""

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from kerbwalk import colour, look

EYE = colour.BT709_TO_WORKING
PLAIN = {"exposure": 0.0, "contrast": 1.0, "toe": 0.0, "shoulder": 0.0, "saturation": 1.0, "pivot": 0.18}
curves = st.fixed_dictionaries(
    {
        "contrast": st.floats(0.2, 4),
        "toe": st.floats(0, 1),
        "shoulder": st.floats(0, 1),
        "peak": st.floats(2.0**-10, 2.0**10),
    }
)
DEFAULT = {"contrast": 1.0, "toe": 0.2, "shoulder": 0.5, "peak": 1.0}


def applied(steps, rgb):
    """rgb: (n, 3) decoded frame divided by 65535; returns the signal, float32 (n, 3)."""
    pixels = np.array(rgb, np.float32).reshape(-1, 3)
    ocio.Config.CreateRaw().getProcessor(steps).getDefaultCPUProcessor().applyRGB(pixels)
    return pixels


@given(curves)
@example(DEFAULT)
def test_tone_rises_from_black_and_stays_within_the_display(curve):
    x = np.concatenate([[-0.1, 0], np.geomspace(1e-6, curve["peak"], 2000)])
    y = look.tone(x, **curve)
    assert (np.diff(y) >= -1e-12).all()
    assert y[0] == y[1] == 0
    assert y.max() <= 1


@given(curves)
@example(DEFAULT)
def test_mid_grey_stays(curve):
    if curve["peak"] > 1:
        assert look.tone(np.array(0.18), **curve) == pytest.approx(0.18, rel=1e-9)


@given(curves)
@example(DEFAULT | {"peak": 16.0})
def test_a_shoulder_brings_the_peak_to_white_and_nothing_before_it(curve):
    graded = 0.18 * (curve["peak"] / 0.18) ** curve["contrast"]
    if 1e-4 < graded < (1e6 if curve["shoulder"] > 0.01 else 1):
        assert look.tone(np.array(curve["peak"]), **curve) == pytest.approx(1, abs=1e-6)
        assert (look.tone(np.array([1.1, 2.0, 1000.0]) * curve["peak"], **curve) > 1 - 1e-6).all()
        assert look.tone(np.array(0.98 * curve["peak"]), **curve) < 1


@given(st.floats(0.2, 4), st.floats(0, 1))
def test_contrast_is_the_slope_about_mid_grey(contrast, toe):
    step = 1e-5
    low, high = look.tone(0.18 * 2.0 ** np.array([-step, step]), contrast, toe)
    assert np.log2(high / low) / (2 * step) == pytest.approx(contrast, rel=1e-3)


@given(st.floats(0.2, 4), st.floats(0.02, 1))
def test_contrast_leaves_its_pivot_alone(contrast, pivot):
    assert look.tone(np.array(pivot), contrast, peak=1e9, pivot=pivot) == pytest.approx(pivot, rel=1e-9)


@pytest.mark.parametrize("balance", [(1, 1, 1), (0.8, 1, 1.3), (1.2, 1, 0.7)])
@pytest.mark.parametrize("exposure", [-6.0, -3.0, -1.0, 0.0, 1.5])
def test_what_is_full_is_white_under_any_balance(balance, exposure):
    settings = PLAIN | {"shoulder": 0.5, "exposure": exposure}
    steps = look.transform(colour.BT709_TO_WORKING * balance, settings, full=2.1)
    np.testing.assert_allclose(applied(steps, [[2.1] * 3]), 1, atol=1e-3)
    # and hardly less so where the deflicker took a tenth away
    dimmed = applied(steps, [[1.9] * 3])
    assert dimmed.min() > 0.96 or exposure < 0


def test_toe_darkens_shadows_by_what_it_says():
    assert look.tone(np.array(1e-7), toe=1.0) == pytest.approx(0.1e-7, rel=1e-4)
    x = np.linspace(0.001, 0.179, 50)
    assert (look.tone(x, toe=0.5) < look.tone(x)).all()


@given(st.lists(st.floats(0, 4), min_size=3, max_size=3), st.floats(0, 4))
def test_saturation_keeps_luminance(rgb, saturation):
    changed = look.saturation_matrix(saturation) @ rgb
    assert changed @ colour.LUMINANCE_BT2020 == pytest.approx(np.array(rgb) @ colour.LUMINANCE_BT2020, abs=1e-9)


def test_no_saturation_is_grey():
    signal = applied(look.transform(EYE, PLAIN | {"saturation": 0.0}), np.eye(3) * 0.5)
    np.testing.assert_allclose(signal, signal[:, :1] * np.ones(3), atol=1e-5)


@pytest.mark.parametrize("stops", [-2, -0.5, 1, 3])
def test_a_stop_of_exposure_doubles_the_light(stops):
    x = np.linspace(0.001, 0.1, 30)[:, None] * np.ones(3)
    plain, brighter = (
        applied(look.transform(EYE, PLAIN | {"exposure": float(e)}), x).astype(float) ** 2.4 for e in (0, stops)
    )
    np.testing.assert_allclose(brighter, plain * 2.0**stops, rtol=5e-4)


@pytest.mark.parametrize("cdl", [None, (1, 1, 1)])
def test_the_default_display_is_a_power_of_1_over_2_4(cdl):
    """With all settings neutral, a CDL that changes nothing included, light comes out as light."""
    x = np.concatenate([[0], np.geomspace(1e-4, 1, 200)])[:, None] * np.ones(3)
    steps = look.transform(EYE, PLAIN, cdl and look.cdl_transform(slope=cdl))
    # mid of two half floats: the tone curve's table is exact at the half floats alone
    np.testing.assert_allclose(applied(steps, x).astype(float) ** 2.4, x, rtol=1e-3, atol=2e-6)


def test_balance_change_and_matrix_come_before_all_else():
    rng = np.random.default_rng(3)
    x, change = rng.uniform(0.05, 0.3, (20, 3)), np.array([0.8, 1.0, 1.2])
    matrix = np.array([[1.3, -0.2, -0.1], [-0.1, 1.2, -0.1], [0.05, -0.25, 1.2]])
    signal = applied(look.transform(colour.BT709_TO_WORKING @ matrix * change, PLAIN), x).astype(float)
    np.testing.assert_allclose(signal**2.4, (x * change) @ matrix.T, rtol=2e-3, atol=1e-5)


def test_the_signal_stays_within_its_range():
    hot = np.array([[1, 0, 0], [0, 0, 1], [1, 1, 1], [8, 8, 8], [-1, 2, 0.5]])
    signal = applied(look.transform(EYE, PLAIN | {"exposure": 4.0, "saturation": 4.0}), hot)
    assert signal.min() >= 0
    assert signal.max() <= 1 + 1e-5  # OpenColorIO's quick power function


@given(st.floats(0, 1), st.floats(0.3, 8), st.floats(1, 6))
def test_a_brighter_display_shows_the_same_below_the_shoulder_and_lamps_at_its_top(shoulder, peak, top):
    x = np.linspace(0, peak, 500)
    usual, brighter = look.tone(x, shoulder=shoulder, peak=peak), look.tone(x, shoulder=shoulder, peak=peak, top=top)
    below = x <= min(1 - 0.8 * shoulder, 0.85 * peak)
    np.testing.assert_array_equal(brighter[below], usual[below])
    assert brighter[-1] == pytest.approx(top)
    assert (np.diff(brighter) >= -1e-12).all() and (brighter >= usual - 1e-9).all()
