"""Curves as polygons, and the signal against exact arithmetic."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import signal


def followed(polygon, x):
    found = x.copy()
    signal.follow(polygon.reshape(-1), found)
    return found


def test_corners_are_exact_and_mirrored():
    positive, negative = signal.corners()
    assert positive[0] == 2.0**signal.LOWEST
    assert positive[-1] == 2.0**signal.HIGHEST
    assert positive[1024] == 2 * positive[0]
    assert (np.diff(positive) > 0).all()
    assert (positive == -negative).all()


@given(st.lists(st.floats(-60, 60, width=32), min_size=1, max_size=50))
def test_a_straight_line_is_itself(x):
    x = np.array(x, np.float32)
    found = followed(signal.polygon(3 * signal.corners().astype(float) - 0.25), x)
    np.testing.assert_allclose(found, 3 * x.astype(float) - 0.25, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("power", [1 / 2.4, 0.5, 1.4, 2.2])
def test_a_power_law_keeps_the_stated_bound(power):
    x = np.geomspace(1e-11, 60, 100_000).astype(np.float32)
    polygon = signal.polygon(np.abs(signal.corners().astype(float)) ** power)
    found = followed(polygon, x)
    bound = abs(power * (1 - power)) / 8 * 2**-20
    # and what float32 adds
    np.testing.assert_allclose(found, x.astype(float) ** power, rtol=bound + 4e-7)
    np.testing.assert_array_equal(followed(polygon, -x), found)


def test_the_ends_run_on_straight():
    polygon = signal.polygon(np.maximum(signal.corners(), 0))
    found = followed(polygon, np.float32([0, 1e-20, -1e-20, 1000, -1000]))
    np.testing.assert_allclose(found, [0, 1e-20, 0, 1000, 0], rtol=1e-5, atol=1e-19)


def exact_signal(rgb):
    """ITU-R BT.709-6, items 3.2 to 3.4, n = 10, in exact arithmetic, before rounding: (3,) Fractions."""
    red, green, blue = (Fraction(float(v)) for v in rgb)
    luma = Fraction(2126, 10000) * red + Fraction(7152, 10000) * green + Fraction(722, 10000) * blue
    cb, cr = (blue - luma) / Fraction(18556, 10000), (red - luma) / Fraction(15748, 10000)
    return (219 * luma + 16) * 4, (224 * cb + 128) * 4, (224 * cr + 128) * 4


def test_signal_is_the_formula_to_a_code(no_look):
    rng = np.random.default_rng(9)
    corners = np.array([[r, g, b] for r in (0, 1) for g in (0, 1) for b in (0, 1)])
    rgb = np.vstack([corners, rng.uniform(0, 1, (3000, 3)), np.repeat(rng.uniform(0, 1, (500, 1)), 3, 1)])
    rgb = rgb.astype(np.float32)
    planes = np.empty((3, 1, len(rgb)), np.uint16)
    signal.encode(rgb[None], no_look, planes)
    for pixel, found in zip(rgb, planes[:, 0].T, strict=True):
        for code, wanted in zip(found, exact_signal(pixel), strict=True):
            # a step, and what float32 can add to it
            assert abs(int(code) - wanted) <= 1 + Fraction(1, 4000)


def test_the_mean_of_the_signal_is_the_formula(no_look):
    pixel = np.array([0.071, 0.083, 0.102], np.float32)
    planes = np.empty((3, 16, 16), np.uint16)
    signal.encode(np.tile(pixel, (16, 16, 1)), no_look, planes)
    np.testing.assert_allclose(planes.mean((1, 2)), [float(v) for v in exact_signal(pixel)], atol=0.02)


def test_signal_of_black_white_and_grey(no_look):
    rgb = np.array([[[0, 0, 0], [1, 1, 1], [0.5, 0.5, 0.5]]], np.float32)
    planes = np.empty((3, 1, 3), np.uint16)
    signal.encode(rgb, no_look, planes)
    assert planes[:, 0].T.tolist() == [[64, 512, 512], [940, 512, 512], [502, 512, 512]]
