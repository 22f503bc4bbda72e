"""Local contrast: texture is raised, edges get no halos, and equal places of different frames are treated equally."""

import numpy as np
import pytest

from kerbwalk import detail


def raised(light, amount=1.0):
    rgb = np.repeat(light[..., None], 3, axis=2).astype(np.float32)
    detail.raise_contrast(rgb, amount)
    return rgb[..., 1]


def texture(waves, seed=2, level=0.1):
    return level * np.exp2(0.15 * waves(seed, shortest=6, longest=14)(*np.meshgrid(np.arange(480.0), np.arange(320.0))))


def test_nothing_is_nothing(waves):
    light = texture(waves).astype(np.float32)
    np.testing.assert_allclose(raised(light, 0.0), light, rtol=1e-6)


@pytest.mark.parametrize("amount", [0.5, 1.0])
def test_texture_is_raised_by_the_amount(waves, amount):
    before = np.log2(texture(waves))
    after = np.log2(raised(texture(waves), amount))
    assert after.std() / before.std() == pytest.approx(1 + amount, abs=0.15 * amount)
    assert after.mean() == pytest.approx(before.mean(), abs=0.02)


def test_a_bright_edge_gets_no_halo():
    """Of nearly seven stops; beside the edge itself, where two pixels are accented."""
    light = np.full((1080, 480), 0.01)
    light[:, 240:] = 1.0
    change = np.abs(np.log2(raised(light) / light))
    assert change.max() < 0.3
    assert np.delete(change, np.s_[238:242], axis=1).max() < 0.15


def test_a_lamp_elsewhere_changes_nothing_here(waves):
    light = texture(waves)
    with_lamp = light.copy()
    with_lamp[250:280, 400:430] = 3.0
    np.testing.assert_array_equal(raised(light)[:200, :300], raised(with_lamp)[:200, :300])


def test_a_factor_on_the_whole_frame_stays_a_factor(waves):
    light = texture(waves, level=0.2)
    np.testing.assert_allclose(raised(1.1 * light) / raised(light), 1.1, rtol=0.01)
