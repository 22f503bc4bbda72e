"""A draft's pictures: the mean of each colour over blocks of the mosaic."""

import numpy as np
import pytest

from kerbwalk import draft

BAYER = np.array([[0, 1], [1, 2]])
# A 6x6 pattern, as of sensors whose greens lie in blocks.
SIX = np.array([[1, 2, 1, 1, 0, 1], [0, 1, 0, 2, 1, 2], [1, 2, 1, 1, 0, 1]] * 2)


@pytest.mark.parametrize(("pattern", "factor"), [(BAYER, 2), (BAYER, 8), (SIX, 6), (SIX, 12)])
def test_blocks_are_the_means_of_their_colours(pattern, factor):
    rng = np.random.default_rng(1)
    values = rng.integers(0, 65536, (5 * factor + 1, 7 * factor + 1)).astype(np.uint16)
    values[:factor, :factor], values[:factor, factor : 2 * factor] = 0, 65535
    black = rng.integers(100, 600, pattern.shape)
    scale = np.array([1.5, 1, 0.5])
    found = draft.blocks(values, pattern, black, factor, scale)
    rows, columns = np.indices(values.shape)
    colours = pattern[rows % pattern.shape[0], columns % pattern.shape[1]]
    light = values.astype(float) - black[rows % pattern.shape[0], columns % pattern.shape[1]]
    assert found.shape == (5, 7, 3)
    for y, x in np.ndindex(5, 7):
        block = np.s_[y * factor : (y + 1) * factor, x * factor : (x + 1) * factor]
        wanted = scale * [light[block][colours[block] == k].mean() for k in range(3)]
        assert found[y, x] == pytest.approx(np.clip(wanted, 0, 65535), abs=0.51)


@pytest.mark.parametrize(
    ("size", "period", "factor"),
    [((1600, 2400), 2, 4), ((2000, 3000), 2, 4), ((4000, 6000), 2, 10), ((900, 600), 2, 2), ((4000, 6000), 6, 6)],
)
def test_a_draft_is_hardly_smaller_than_its_clip(size, period, factor):
    assert draft.factor(*size, period) == factor
    assert max(size) / factor >= draft.SIDE or factor == period
