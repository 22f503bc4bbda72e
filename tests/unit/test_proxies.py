"""The small pictures that the analyses use."""

import numpy as np
import pytest

from kerbwalk import decode
from kerbwalk.proxies import proxies

FULL = np.full(3, 65535, np.float32)


@pytest.mark.parametrize("size", [(3000, 2000), (1201, 799), (390, 260), (2000, 3000)])
def test_proxies_state_their_scale(size):
    y, x = np.mgrid[: size[1], : size[0]]
    frame = np.repeat((10 * x)[..., None], 3, axis=2).astype(np.uint16)
    grey, light, clipped, grey_factor, light_factor = proxies(frame, np.zeros(frame.shape[:2], bool), FULL)
    assert max(grey.shape) <= 1600 and (grey_factor == 1 or max(size) / (grey_factor - 1) > 1600)
    assert max(light.shape[:2]) <= 400
    assert light.shape[:2] == clipped.shape
    for picture, factor in ((grey, grey_factor), (light[..., 1], light_factor)):
        expected = 10 * (factor * np.arange(picture.shape[1]) + (factor - 1) / 2)
        # grey is rounded to whole values
        np.testing.assert_allclose(picture, np.tile(expected, (len(picture), 1)), atol=0.51, rtol=1e-6)


def test_grey_weighs_the_channels():
    frame = np.full((300, 300, 3), (1000, 2000, 4000), np.uint16)
    assert (proxies(frame, np.zeros((300, 300), bool), FULL)[0] == 2250).all()


def test_proxies_are_brought_to_the_level_of_the_channel_that_is_full_first():
    full = decode.full_levels([1.6, 1, 2])
    np.testing.assert_allclose(full, [52428, 32767.5, 65535], rtol=1e-6)
    frame = np.full((300, 300, 3), (1000, 2000, 4000), np.uint16)
    grey, light, *_ = proxies(frame, np.zeros((300, 300), bool), full)
    assert (grey == 4500).all()
    np.testing.assert_allclose(light[5, 5], [2000, 4000, 8000], rtol=1e-5)


def test_one_clipped_pixel_marks_its_block():
    blown = np.zeros((800, 1200), bool)
    blown[401, 602] = True
    clipped, factor = proxies(np.full((800, 1200, 3), 500, np.uint16), blown, FULL)[2::2]
    assert factor == 3
    assert np.argwhere(clipped).tolist() == [[401 // 3, 602 // 3]]
