"""Decoding: how large, and where every smaller picture's pixels lie in the photo."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import decode

HD = (1920, 1080)
FULL = decode.full_levels([1, 1, 1])


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ((1500, 1000), (False, 1)),
        ((3000, 2000), (False, 1)),
        ((4607, 3071), (False, 1)),
        ((4608, 3072), (True, 1)),
        ((6000, 4000), (True, 1)),
        ((4000, 6000), (True, 1)),
        ((9216, 6144), (True, 2)),
        ((14000, 10500), (True, 3)),
    ],
)
def test_reduction(size, expected):
    assert decode.reduction(*size, HD) == expected


@given(st.integers(100, 20000), st.integers(100, 20000))
def test_reduction_leaves_room_for_the_crop(width, height):
    superpixel, average = decode.reduction(width, height, HD)
    scale = (2 if superpixel else 1) * average
    assert scale == 1 or max(width, height) / scale >= 1.2 * 1920


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


@pytest.mark.parametrize("size", [(3000, 2000), (1201, 799), (390, 260), (2000, 3000)])
def test_proxies_state_their_scale(size):
    y, x = np.mgrid[: size[1], : size[0]]
    frame = np.repeat((10 * x)[..., None], 3, axis=2).astype(np.uint16)
    grey, light, clipped, grey_factor, light_factor = decode.proxies(frame, np.zeros(frame.shape[:2]), FULL)
    assert max(grey.shape) <= 1600 and (grey_factor == 1 or max(size) / (grey_factor - 1) > 1600)
    assert max(light.shape[:2]) <= 400
    assert light.shape[:2] == clipped.shape
    for picture, factor in ((grey, grey_factor), (light[..., 1], light_factor)):
        expected = 10 * (factor * np.arange(picture.shape[1]) + (factor - 1) / 2)
        # grey is rounded to whole values
        np.testing.assert_allclose(picture, np.tile(expected, (len(picture), 1)), atol=0.51, rtol=1e-6)


def test_grey_weighs_the_channels():
    frame = np.full((300, 300, 3), (1000, 2000, 4000), np.uint16)
    assert (decode.proxies(frame, np.zeros((300, 300)), FULL)[0] == 2250).all()


def test_proxies_are_brought_to_the_level_of_the_channel_that_is_full_first():
    full = decode.full_levels([1.6, 1, 2])
    np.testing.assert_allclose(full, [52428, 32767.5, 65535], rtol=1e-6)
    frame = np.full((300, 300, 3), (1000, 2000, 4000), np.uint16)
    grey, light, *_ = decode.proxies(frame, np.zeros((300, 300)), full)
    assert (grey == 4500).all()
    np.testing.assert_allclose(light[5, 5], [2000, 4000, 8000], rtol=1e-5)


def test_one_clipped_pixel_marks_its_block():
    blown = np.zeros((800, 1200), bool)
    blown[401, 602] = True
    clipped, factor = decode.proxies(np.full((800, 1200, 3), 500, np.uint16), blown, FULL)[2::2]
    assert factor == 3
    assert np.argwhere(clipped).tolist() == [[401 // 3, 602 // 3]]
