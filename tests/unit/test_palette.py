"""A clip in few colours: what dither keeps, and what stays still."""

import numpy as np
import pytest

from kerbwalk import palette


@pytest.fixture(scope="module")
def laid():
    """(Light, as shown in few colours) of three pictures: dark ramps that stand still, beside others that move."""
    hues = np.random.default_rng(3).uniform(0.2, 1, (8, 3))
    still = np.linspace(0.002, 0.2, 96)[:, None] * hues[np.arange(64) // 8][:, None]
    light = np.stack([np.hstack([still, np.roll(still, 7 * k, axis=1)]) for k in range(3)]).astype(np.float32)
    colours = palette.chosen(*palette.cells(light))
    assert len(colours) == palette.COLOURS
    places, shown = np.zeros(light.shape[1:3], np.uint8), []
    for k, picture in enumerate(light):
        palette.lay(picture, colours, places, k > 0)
        shown.append(colours[places])
    return light, np.array(shown)


def test_means_of_light_are_kept(laid):
    tiles = [pictures.reshape(3, 8, 8, 8, 24, 3).mean((2, 4)) for pictures in laid]
    np.testing.assert_allclose(tiles[1], tiles[0], rtol=0.015, atol=5e-4)


def test_what_stands_still_hardly_changes(laid):
    light, shown = laid
    changed = (shown[1:] != shown[:-1]).any(axis=3)
    assert changed[:, :, :80].mean() < 0.01
    moved = np.abs(shown - light)[:, :, 96:].mean()
    assert moved < 2 * np.abs(shown - light)[0].mean(), "no trace of what was there before"
