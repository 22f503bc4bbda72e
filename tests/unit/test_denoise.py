"""Noise on the mosaic: what is known of it, what is taken off, and what stays."""

import numpy as np
import pytest

from files.photo import Mosaic
from kerbwalk import denoise

BAYER = np.array([[0, 1], [1, 2]])
SIX = np.array(["GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG"])
SIX = np.array([["RGB".index(c) for c in row] for row in SIX])
BLACK, GAIN, READING = 512, 0.53, 3.2  # levels an electron, electrons
FLOOR = (GAIN * READING) ** 2
SIZE = 240, 320


def seen(electrons, pattern=BAYER, seed=1):
    """A sensor's mosaic of so many electrons, with shot and reading noise."""
    rng = np.random.default_rng(seed)
    electrons = np.broadcast_to(electrons, SIZE)
    values = BLACK + GAIN * (rng.poisson(electrons) + rng.normal(0, READING, SIZE))
    return Mosaic(np.clip(np.rint(values), 0, 16383).astype(np.uint16), pattern, np.full(pattern.shape, BLACK))


def coloured(electrons, pattern=BAYER):
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    return electrons * np.array([0.5, 1, 0.35])[pattern[y % len(pattern), x % len(pattern)]]


def gained(electrons, pattern=BAYER, amount=1.0):
    """dB by which the root mean square error falls."""
    mosaic, truth = seen(electrons, pattern), BLACK + GAIN * electrons
    errors = [np.square(v - truth).mean() for v in (mosaic.values, denoise.denoised(mosaic, GAIN, FLOOR, amount))]
    return 10 * np.log10(errors[0] / errors[1])


@pytest.mark.parametrize(("gain", "reading"), [(0.53, 3.2), (2.0, 4.0), (8.0, 20.0)])
def test_the_noise_is_read_from_the_photo(gain, reading):
    """Of tiles, every third with much texture."""
    rng, side = np.random.default_rng(2), np.ones((80, 80))
    tiles = np.kron(np.geomspace(3, 7600 / gain, 12 * 18).reshape(12, 18), side)
    texture = np.kron(np.resize([0, 0, 0.4], (12, 18)), side)
    electrons = tiles * (1 + texture * rng.uniform(-1, 1, tiles.shape))
    values = BLACK + gain * (rng.poisson(electrons) + rng.normal(0, reading, tiles.shape))
    values = np.clip(np.rint(values), 0, 16383).astype(np.uint16)
    found, floor = denoise.noise(Mosaic(values, BAYER, np.full((2, 2), BLACK)))
    assert found == pytest.approx(gain, rel=0.15)
    assert floor == pytest.approx((gain * reading) ** 2, rel=0.25)


def test_a_picture_without_noise_has_none():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    plain = Mosaic((BLACK + 8 * x + 4 * y).astype(np.uint16), BAYER, np.full((2, 2), BLACK))
    assert denoise.noise(plain) == (0, 0)


@pytest.mark.parametrize("level", [3, 30, 300, 3000])
def test_a_wall_gets_smooth_and_keeps_its_level(level):
    truth = coloured(np.full(SIZE, float(level)))
    assert gained(truth) > 12
    mosaic = seen(truth)
    result, noise = denoise.denoised(mosaic, GAIN, FLOOR, 1.0), np.sqrt(GAIN * GAIN * truth + FLOOR)
    # of each colour, against what chance leaves of the mean of so many sites
    for y, x in np.ndindex(2, 2):
        off = (result - (BLACK + GAIN * truth))[y::2, x::2].mean()
        assert abs(off) < 0.02 * noise[y, x] + 3 * noise[y, x] / np.sqrt(result.size / 4)


@pytest.mark.parametrize(("deviations", "kept"), [(1, 0.75), (2, 0.93), (3, 0.97), (5, 0.98)])
@pytest.mark.parametrize("level", [100, 1000])
def test_texture_stays(level, deviations, kept):
    """Stripes of so many deviations of the noise keep so much of their contrast, and come out nearer to the truth."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    stripes = np.sqrt(2) * np.sin(2 * np.pi * (0.3 * x - 0.9 * y) / 9)
    electrons = level + deviations * np.sqrt(level + READING**2) * stripes
    result = denoise.denoised(seen(np.maximum(electrons, 0)), GAIN, FLOOR, 1.0)
    assert np.polyfit(GAIN * electrons.ravel(), result.ravel(), 1)[0] > kept
    assert gained(np.maximum(electrons, 0)) > 3


def test_texture_that_nowhere_recurs_stays_as_it_is():
    """Of three deviations: nothing looks alike, so nothing is averaged."""
    level = 1000
    electrons = level + 3 * np.sqrt(level) * np.random.default_rng(5).standard_normal(SIZE)
    assert gained(electrons) > -0.01
    mosaic = seen(electrons)
    assert np.abs(denoise.denoised(mosaic, GAIN, FLOOR, 1.0) - mosaic.values).mean() < 0.02 * np.sqrt(level) * GAIN


def test_an_edge_stays_sharp():
    electrons = np.where(np.arange(SIZE[1]) < 160, 40.0, 4000.0) * np.ones(SIZE)
    result = denoise.denoised(seen(electrons), GAIN, FLOOR, 1.0).mean(axis=0)
    np.testing.assert_allclose(result[150:170], BLACK + GAIN * electrons[0, 150:170], rtol=0.01)


def test_none_of_it_changes_no_bit():
    mosaic = seen(coloured(np.full(SIZE, 300.0)))
    np.testing.assert_array_equal(denoise.denoised(mosaic, GAIN, FLOOR, 0.0), mosaic.values)


def test_half_takes_half():
    mosaic = seen(coloured(np.full(SIZE, 300.0)))
    half, all_of_it = (denoise.denoised(mosaic, GAIN, FLOOR, amount) for amount in (0.5, 1.0))
    np.testing.assert_allclose(half, (mosaic.values + all_of_it) / 2, atol=1e-2)


def test_a_cell_of_six_by_six_is_averaged_by_its_own_colours():
    assert gained(coloured(np.full(SIZE, 300.0), SIX), SIX) > 6
