"""Colour: what must hold whatever the numbers; the numbers themselves are checked in tests/references."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import colour

kelvins = st.floats(1700, 25000)


def uv(xy):
    x, y = xy
    return np.array([4 * x, 6 * y]) / (-2 * x + 12 * y + 3)


def test_white_is_white():
    for primaries in (colour.BT709, colour.BT2020):
        np.testing.assert_allclose(
            colour.rgb_to_xyz(primaries, colour.D65) @ np.ones(3), colour.xy_to_xyz(colour.D65), atol=1e-14
        )
    np.testing.assert_allclose(colour.BT709_TO_WORKING @ np.ones(3), np.ones(3), atol=1e-14)


def test_each_primary_keeps_its_chromaticity():
    for primaries in (colour.BT709, colour.BT2020):
        matrix = colour.rgb_to_xyz(primaries, colour.D65)
        for channel, xy in enumerate(primaries):
            column = matrix[:, channel]
            np.testing.assert_allclose(column[:2] / column.sum(), xy, atol=1e-14)


@given(kelvins)
def test_locus_is_continuous(kelvin):
    step = np.hypot(*(uv(colour.white_from_kelvin(kelvin * 1.001)) - uv(colour.white_from_kelvin(kelvin))))
    # a thousandth of the temperature moves a white by at most 0.0002 on the whole range
    assert step < 2e-4


@given(kelvins, st.floats(-150, 150))
def test_tint_is_a_distance_towards_green(kelvin, tint):
    plain, tinted = uv(colour.white_from_kelvin(kelvin)), uv(colour.white_from_kelvin(kelvin, tint))
    assert np.hypot(*(tinted - plain)) == pytest.approx(abs(tint) / 3000, abs=1e-9)
    # green lies above the locus: v rises with the tint
    assert (tinted - plain)[1] * tint >= 0


@given(kelvins)
def test_adaptation_takes_one_white_to_the_other_and_back(kelvin):
    xy = colour.white_from_kelvin(kelvin)
    there = colour.adaptation(xy, colour.D65)
    np.testing.assert_allclose(there @ colour.xy_to_xyz(xy), colour.xy_to_xyz(colour.D65), atol=1e-12)
    np.testing.assert_allclose(colour.adaptation(colour.D65, xy) @ there, np.eye(3), atol=1e-10)
