"""Highlights: what rebuilding must do whatever the lamp."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import decode, demosaic, highlights

multipliers = st.tuples(st.floats(0.7, 3), st.just(1.0), st.floats(0.7, 3))
colours = st.tuples(*[st.floats(0.1, 1)] * 3)


def rebuilt(light, full):
    """light: (n, 3) true balanced camera RGB, in levels of the frame; cut where the sensor is full, then rebuilt."""
    frame = np.minimum(light, full).astype(np.uint16)[None]
    clipped = highlights.rebuild(frame, full)
    return frame[0].astype(float), clipped[0]


@given(multipliers, colours)
def test_a_lamp_ends_in_white_without_a_step(balance, lamp):
    full = decode.full_levels(balance)
    light = np.geomspace(0.1, 100, 4000)[:, None] * np.array(lamp) * 65535
    result, clipped = rebuilt(light, full)
    np.testing.assert_allclose(result[-1], 65535, atol=1)
    assert clipped[-1] and not clipped[0]
    # nothing falls where the light grows, and no step is larger than the rebuilding's slope allows
    assert np.diff(result, axis=0).min() > -1.5
    assert np.diff(result, axis=0).max() < 0.05 * 65535


@given(multipliers, colours)
def test_what_is_not_clipped_stays(balance, lamp):
    full = decode.full_levels(balance)
    light = np.array([lamp]) * full * 0.9
    result, clipped = rebuilt(light, full)
    np.testing.assert_allclose(result, light, atol=1)
    assert not clipped.any()


@given(multipliers)
def test_a_grey_stays_grey(balance):
    """All the way up, to within a few per cent: no channel gives out before the others."""
    full = decode.full_levels(balance)
    result, _ = rebuilt(np.linspace(0.1, 1.5, 500)[:, None] * np.full(3, 65535), full)
    assert (result.max(axis=1) / result.min(axis=1)).max() < 1.09


def test_a_warm_lamp_does_not_turn_magenta():
    full = decode.full_levels([1.75, 1, 2.07])
    result, _ = rebuilt(np.geomspace(0.2, 20, 500)[:, None] * np.array([1, 0.62, 0.3]) * 65535, full)
    red, green, blue = result.T
    assert (green >= 0.99 * np.minimum(red, blue)).all()


@pytest.mark.parametrize("value", [0, 1000, 60000])
def test_full_everywhere_is_the_greatest_level(value):
    full = decode.full_levels([2, 1, 1.5])
    frame = np.full((3, 4, 3), value, np.uint16)
    frame[1, 1] = full
    clipped = highlights.rebuild(frame, full)
    assert frame[1, 1].tolist() == [65535] * 3
    assert clipped[1, 1]


def test_a_lamp_has_no_coloured_edge():
    """A lamp far brighter than white before a warm wall, through the mosaic: all round it lie mixes of the two."""
    full, wall = decode.full_levels([1.75, 1, 2.07]), np.array([0.12, 0.08, 0.05])
    y, x = np.indices((60, 60))
    inside = np.hypot(x - 29.7, y - 30.2) < 14.4
    light = np.minimum(np.where(inside[..., None], 10, wall) * 65535, full)
    pattern = np.array([[0, 1], [1, 2]])
    mosaic = np.take_along_axis(light, pattern[y % 2, x % 2][..., None], axis=2)[..., 0].astype(np.uint16)
    frame = demosaic.bayer(mosaic, pattern, np.zeros((2, 2)), np.ones((2, 2)))
    clipped = highlights.rebuild(frame, full)

    def off():
        """How far the channels disagree on how much of white is in a pixel, at the most."""
        return np.ptp((frame / 65535 - wall) / (1 - wall), axis=2).max()

    assert off() > 0.2
    highlights.settle_edges(frame, clipped)
    assert off() < 0.02
    assert (frame[inside].min(axis=1) > 0.9 * 65535).mean() > 0.85
