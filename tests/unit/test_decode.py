"""Decoding: how large, and where every smaller picture's pixels lie in the photo."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import decode

HD = [(1920, 1080)]


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ((1500, 1000), (False, 1)),
        ((3000, 2000), (False, 1)),
        ((4607, 3071), (False, 1)),
        ((4608, 3072), (True, 1)),
        ((6000, 4000), (True, 1)),
        ((4000, 6000), (False, 1)),
        ((5000, 7500), (True, 1)),
        ((9216, 6144), (True, 2)),
        ((14000, 10500), (True, 3)),
    ],
)
def test_reduction(size, expected):
    assert decode.reduction(*size, HD) == expected


def test_what_the_photos_do_not_hold():
    assert decode.too_large(1500, 1000, [(3840, 2160), (1080, 1920), (6400, 3600)]) == [(6400, 3600)]


@given(st.integers(100, 20000), st.integers(100, 20000))
def test_reduction_leaves_room_for_the_crop(width, height):
    superpixel, average = decode.reduction(width, height, HD)
    scale = (2 if superpixel else 1) * average
    assert scale == 1 or (width / scale >= 1.2 * 1920 and height / scale >= 1.2 * 1080)


@given(st.integers(1, 7), st.integers(0, 6), st.integers(0, 6))
def test_average_is_the_mean_of_each_block(factor, more_rows, more_columns):
    rng = np.random.default_rng(factor)
    picture = rng.integers(0, 65536, (3 * factor + more_rows, 4 * factor + more_columns, 3), dtype=np.uint16)
    result = decode.averaged(picture, factor)
    rows, columns = picture.shape[0] // factor, picture.shape[1] // factor
    blocks = picture[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor, 3)
    assert result.dtype == np.float32
    np.testing.assert_allclose(result, blocks.mean((1, 3)), rtol=1e-6)


@given(st.integers(1, 9))
def test_average_places_its_pixels_as_it_says(factor):
    """On a ramp the value is the place: pixel x must lie at factor x + (factor - 1) / 2."""
    y, x = np.mgrid[: 5 * factor, : 6 * factor]
    result = decode.averaged(np.dstack([x, y]), factor)
    rows, columns = np.mgrid[:5, :6]
    np.testing.assert_allclose(result[..., 0], factor * columns + (factor - 1) / 2, rtol=1e-6)
    np.testing.assert_allclose(result[..., 1], factor * rows + (factor - 1) / 2, rtol=1e-6)
