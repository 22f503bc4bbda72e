"""Places and colours that flicker by themselves, and what must not be taken for them."""

import numpy as np
import pytest

from kerbwalk import light, places

SHAPE, COUNT, PERIOD = (44, 66), 40, 16
LAMP = np.s_[10:14, 20:25]


def walk(seed=1, lamp=0.0, colour=0.0, passers=False):
    """Ratios of a walk as light.ratio gives them, and what flickers in it, (COUNT,) and (COUNT, 2)."""
    rng = np.random.default_rng(seed)
    blocks = rng.normal(0, 0.004, (COUNT, *SHAPE))
    flicker = rng.normal(0, lamp, COUNT)
    blocks[:, *LAMP] += flicker[:, None, None]
    if passers:
        for k in range(COUNT):
            left = int(rng.integers(0, SHAPE[1] - 8))
            blocks[k, 30:33, left : left + 8] += rng.uniform(0.2, 2)
    colours = rng.normal(0, colour, (COUNT, 2))
    noise = iter(rng.normal(0, 0.0005, (10 * COUNT, 2)))
    ratios = {
        (i, i + s): light.Ratio(
            np.zeros(3),
            np.eye(3),
            colour=colours[i + s] - colours[i] + next(noise),
            change=np.float32(blocks[i + s] - blocks[i]),
        )
        for s in (1, 3)
        for i in range(COUNT - s)
    }
    return ratios, flicker, colours


def test_a_lamp_that_flickers_is_found_where_it_is():
    ratios, flicker, _ = walk(lamp=0.08)
    (place,) = places.flickering(COUNT, ratios, PERIOD)
    left, top, right, bottom = place.box
    pattern = np.zeros(SHAPE)
    pattern[top:bottom, left:right] = place.pattern
    truth = np.zeros(SHAPE)
    truth[LAMP] = 1
    assert np.abs(pattern - truth).max() < 0.2
    assert np.corrcoef(place.flicker, flicker)[0, 1] > 0.95
    assert np.std(place.flicker) == pytest.approx(np.std(flicker), rel=0.15)


@pytest.mark.parametrize("passers", [False, True])
def test_nothing_flickers(passers):
    assert places.flickering(COUNT, walk(passers=passers)[0], PERIOD) == []


def test_too_few_photos_say_nothing():
    ratios = {pair: r for pair, r in walk(lamp=0.08)[0].items() if pair[1] < 6}
    assert places.flickering(6, ratios, PERIOD) == []
    assert places.flickering(6, {}, PERIOD) == []


def test_colours_that_flicker():
    """As with white balance left on automatic: found to a tenth, and drift is left alone."""
    ratios, _, colours = walk(colour=0.02)
    found = places.colour_flicker(COUNT, ratios, PERIOD)
    assert np.std(found - (colours - colours.mean(axis=0))) < 0.1 * np.std(colours) + 0.002


@pytest.mark.parametrize("colour", [0.0, 0.002])
def test_colours_without_evidence_are_left_alone(colour):
    np.testing.assert_array_equal(places.colour_flicker(COUNT, walk(colour=colour)[0], PERIOD), 0)
    np.testing.assert_array_equal(places.colour_flicker(COUNT, {}, PERIOD), 0)
