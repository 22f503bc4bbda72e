"""Exposure arithmetic against published tables, and the flicker against another library's robust regression.

Tv, Av and Sv as in the table of APEX values of the Exif standard (CIPA DC-008, annex C; ISO 2720 has the arithmetic,
ISO 516 the series of times; all from memory, the integers as any description of APEX prints them).
"""

import cv2
import numpy as np
import pytest
from scipy import optimize

from kerbwalk import exposure, light

TV = {"30": -5, "15": -4, "8": -3, "4": -2, "2": -1, "1": 0, "1/4": 2, "1/8": 3, "1/15": 4, "1/30": 5, "1/60": 6} | {
    "1/125": 7, "1/250": 8, "1/500": 9, "1/1000": 10, "1/2000": 11, "1/4000": 12, "1/8000": 13,
}  # fmt: skip
AV = {1: 0, 1.4: 1, 2: 2, 2.8: 3, 4: 4, 5.6: 5, 8: 6, 11: 7, 16: 8, 22: 9, 32: 10}
SV = {50: 4, 100: 5, 200: 6, 400: 7, 800: 8, 1600: 9, 3200: 10, 6400: 11}


def seconds(name):
    over, _, under = name.partition("/")
    return float(over) / float(under or 1)


def test_times_stand_for_their_apex_values():
    true = exposure.true_shutter([seconds(name) for name in TV])
    np.testing.assert_allclose(-np.log2(true), list(TV.values()), atol=1e-9)


def test_f_numbers_stand_for_their_apex_values():
    np.testing.assert_allclose(2 * np.log2(exposure.true_aperture(list(AV))), list(AV.values()), atol=1e-9)


def test_speeds_stand_for_their_apex_values():
    """Up to the constant by which ISO 100 has Sv 5, 3.125 Sv 0."""
    np.testing.assert_allclose(np.log2(exposure.true_iso(list(SV)) / 3.125), list(SV.values()), atol=1e-9)


def test_exposure_value():
    """EV = Av + Tv at ISO 100: f/8 and 1/125 s are EV 13."""
    names = exposure.true_shutter([1 / 125, 1]), exposure.true_aperture([8, 1]), exposure.true_iso([100, 100])
    first, second = exposure.known_stops(*names)
    assert second - first == pytest.approx(13)


def test_thirds_between_the_full_stops():
    """1/13 s is two thirds of a stop longer than 1/20 s and one third of a stop longer than 1/15."""
    true = np.log2(exposure.true_shutter([1 / 13, 1 / 15, 1 / 20]))
    np.testing.assert_allclose(true - true[2], [2 / 3, 1 / 3, 0], atol=1e-9)


def test_a_filter_of_density_3_lets_through_a_thousandth():
    """ISO 5: density is minus the logarithm to base ten of the transmittance."""
    assert 2 ** exposure.filter_stops(3.0) == pytest.approx(1e-3)
    assert exposure.filter_stops(3.0) == pytest.approx(-9.97, abs=5e-3)


@pytest.mark.parametrize("gain", [0.93, 1.08])
def test_the_ratio_agrees_with_robust_regression(gain):
    """SciPy's least squares with the Cauchy loss, on all pixels, where a tenth of the picture is another."""
    noise = np.random.default_rng(1).normal(size=(266, 400)).astype(np.float32)
    scene = 3000 * np.exp(4 * cv2.GaussianBlur(noise, (0, 0), 4))
    other = gain * scene
    other[:, :40] = 9000
    rim = np.zeros((44, 66), np.float32)
    first, second = (light.frame(np.dstack([p, p, p, 0 * p]), rim) for p in (scene, other))
    found = light.ratio(first, second, light.compared(first.grey, second.grey, light.flow(first, second)))
    logs = np.log(other / scene).ravel().astype(float)
    regressed = optimize.least_squares(lambda g: g - logs, 0.0, loss="cauchy", f_scale=0.01).x[0]
    assert found.model[0] == pytest.approx(regressed, abs=1e-3)
    assert found.model[0] == pytest.approx(np.log(gain), abs=1e-3)
