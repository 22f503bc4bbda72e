"""Legal levels, and chroma that is drawn in to be within them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from kerbwalk import legal
from kerbwalk.colour import LUMA_BT709


@pytest.mark.parametrize("depth", [8, 10])
def test_levels(depth):
    step = 2 ** (depth - 8)
    luma = np.full((8, 8), 100 * step)
    luma[0] = 235 * step  # white, and within the tolerance
    luma[1] = 16 * step
    luma[2] = 240 * step  # 102.3 %
    luma[3] = 244 * step  # 104.1 %: too much for luma
    grey = np.full((4, 4), 128 * step)
    found = legal.levels(luma, grey, grey, depth, LUMA_BT709)
    assert found == {"illegal": 1 / 8, "at_white": 3 / 8, "at_black": 1 / 8}
    red = grey + 110 * step  # R'G'B' far above white
    assert legal.levels(luma, grey, red, depth, LUMA_BT709)["illegal"] > 0.9


@given(
    arrays(np.uint8, (4, 4), elements=st.integers(16, 235)),
    arrays(np.uint8, (2, 2, 2), elements=st.integers(16, 240)),
    st.sampled_from([8, 10]),
)
def test_what_is_drawn_in_is_legal_and_keeps_its_hue(luma, chroma, depth):
    step, kind = 2 ** (depth - 8), np.uint8 if depth == 8 else np.uint16
    luma, (blue, red) = luma.astype(kind) * step, chroma.astype(kind) * step
    found = legal.drawn_in(luma, blue, red, depth, LUMA_BT709)
    assert legal.levels(luma, *found, depth, LUMA_BT709)["illegal"] == 0
    before, after = (np.array(parts, float) - 128 * step for parts in ((blue, red), found))
    assert (np.abs(after) <= np.abs(before)).all() and (before * after >= 0).all()
    # Both are drawn in by one factor, but for their rounding.
    assert np.abs(after[0] * before[1] - after[1] * before[0]).max() <= np.abs(before).max()


def test_what_is_legal_stays_and_what_is_not_is_drawn_in_no_further_than_it_must():
    luma = np.full((2, 4), 126)
    blue, red = np.array([[128, 100]]), np.array([[150, 240]])
    kept, drawn = legal.drawn_in(luma, blue, red, 8, LUMA_BT709)
    assert (kept[0, 0], drawn[0, 0]) == (128, 150)
    assert 128 < drawn[0, 1] < 240 and 100 < kept[0, 1] < 128
    beyond = (luma[0, 2] - 16) / 219 + 1.5748 * (drawn[0, 1] - 128 + np.array([0, 1])) / 224
    assert beyond[0] <= 1.025 < beyond[1]
