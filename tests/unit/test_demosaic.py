"""Interpolating Bayer mosaics: what has to be exact, whatever the sensor's pattern and size."""

import itertools

import numpy as np
import pytest

from kerbwalk import demosaic

PATTERNS = [np.array(p).reshape(2, 2) for p in ((0, 1, 1, 2), (2, 1, 1, 0), (1, 0, 2, 1), (1, 2, 0, 1))]


def mosaic_of(picture, pattern):
    mosaic = np.empty(picture.shape[:2], picture.dtype)
    for y, x in np.ndindex(2, 2):
        mosaic[y::2, x::2] = picture[y::2, x::2, pattern[y, x]]
    return mosaic


@pytest.mark.parametrize(("pattern", "size"), list(itertools.product(PATTERNS, [(4, 4), (12, 16), (13, 17), (31, 18)])))
def test_a_flat_colour_is_exact_up_to_the_edges(pattern, size):
    picture = np.full((*size, 3), (9000, 20000, 5000), np.uint16)
    black, scale = np.array([[512, 500], [520, 512]]), np.array([[1.5, 2.0], [2.0, 1.25]])
    sensor = mosaic_of(picture, pattern) / np.tile(scale, (16, 16))[: size[0], : size[1]]
    sensor += np.tile(black, (16, 16))[: size[0], : size[1]]
    result = demosaic.bayer(np.rint(sensor).astype(np.uint16), pattern, black, scale)
    np.testing.assert_allclose(result, picture, atol=1)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_grey_that_changes_evenly_is_itself(pattern):
    y, x = np.mgrid[:40, :50]
    picture = np.repeat((300 * x + 500 * y + 1000)[..., None], 3, axis=2).astype(np.uint16)
    result = demosaic.bayer(mosaic_of(picture, pattern), pattern, np.zeros((2, 2)), np.ones((2, 2)))
    np.testing.assert_allclose(result[3:-3, 3:-3], picture[3:-3, 3:-3], atol=1)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_edges_across_and_along_stay_sharp_and_colourless(pattern):
    for edge in (np.mgrid[:24, :24][0] >= 11, np.mgrid[:24, :24][1] >= 12):
        picture = np.repeat(np.where(edge, 30000, 2000)[..., None], 3, axis=2).astype(np.uint16)
        result = demosaic.bayer(mosaic_of(picture, pattern), pattern, np.zeros((2, 2)), np.ones((2, 2)))
        np.testing.assert_allclose(result[4:-4, 4:-4], picture[4:-4, 4:-4], atol=300)


def test_no_ring_around_a_lamp():
    picture = np.full((40, 40, 3), 200, np.uint16)
    picture[18:22, 18:22] = 60000
    result = demosaic.bayer(mosaic_of(picture, PATTERNS[0]), PATTERNS[0], np.zeros((2, 2)), np.ones((2, 2)))
    away = np.ones((40, 40), bool)
    away[16:24, 16:24] = False
    assert (result[away] == 200).all()
    assert result[..., 1].min() >= 199


def test_noise_about_black_keeps_its_mean():
    """What lies below black is cut off only after it was averaged: the mean rises less than by cutting the mosaic."""
    mosaic = np.random.default_rng(1).normal(512, 60, (200, 200)).round().astype(np.uint16)
    result = demosaic.bayer(mosaic, PATTERNS[0], np.full((2, 2), 512), np.ones((2, 2)))
    assert result.mean() < 0.9 * np.maximum(mosaic.astype(int) - 512, 0).mean()


@pytest.mark.parametrize("size", [(12, 16), (13, 17)])
def test_superpixels_are_the_mean_of_their_own(size):
    values = np.random.default_rng(2).integers(600, 60000, size).astype(np.uint16)
    result = demosaic.superpixels(values, PATTERNS[2], np.full((2, 2), 512), np.ones((2, 2)))
    cells = values[: size[0] // 2 * 2, : size[1] // 2 * 2].astype(float) - 512
    green = (cells[::2, ::2] + cells[1::2, 1::2]) / 2
    expected = np.stack([cells[::2, 1::2], green, cells[1::2, ::2]], axis=-1)
    np.testing.assert_allclose(result, expected, atol=0.51)
