"""Light that passes, found by what it does to the parts of the picture."""

import numpy as np
import pytest

from kerbwalk import light, passing

PHOTOS, SHAPE = 40, (6, 9)


def walked(bus, seed=1):
    """A walk's truth, (n,), and its links over one step and two, as far as passing.without() asks for them.

    bus: (n, columns), log light that passes. Parts have a slow change of their own, noise, and things before them.
    """
    rng = np.random.default_rng(seed)
    truth, slow = rng.normal(0, 0.06, PHOTOS), rng.normal(0, 5e-4, SHAPE)
    parts = truth[:, None, None] + np.arange(PHOTOS)[:, None, None] * slow + bus[:, None]
    parts = parts + rng.normal(0, 2e-3, parts.shape)
    parts[rng.random(parts.shape) < 0.05] -= 0.1
    ratios = {}
    for steps in (1, 2):
        for i in range(PHOTOS - steps):
            between = (parts[i + steps] - parts[i]).astype(np.float32)
            between[rng.random(SHAPE) < 0.03] = np.nan
            ratios[i, i + steps] = light.Ratio(np.zeros(3), np.eye(3), parts=between)
    return truth, ratios


def passes(first, added):
    """A bus that crosses the picture in six photos, as light without borders that reaches two thirds of it."""
    bus, places = np.zeros((PHOTOS, SHAPE[1])), np.arange(SHAPE[1])
    for k in range(6):
        bus[first + k] = added * np.cos(np.clip((places - 1.2 * k - 1) / 3, -1, 1) * np.pi / 2) ** 2
    return bus


@pytest.mark.parametrize("first", [4, 17])
@pytest.mark.parametrize("added", [0.04, 0.06])
def test_what_was_taken_for_a_gain(first, added):
    """As when two photos agree on a bus's crest, and those beside them partly."""
    truth, ratios = walked(passes(first, added))
    wrong = np.zeros(PHOTOS)
    wrong[first + 1 : first + 5] = added * np.array([0.4, 0.9, 0.9, 0.5])
    found, lit = passing.without(ratios, truth + wrong)
    assert lit[first + 1 : first + 5].all() and not lit[: first - 1].any() and not lit[first + 7 :].any()
    assert np.abs(found - truth).max() < added / 8 < wrong.max() / 7


def test_what_lights_all_but_the_sky_was_taken_for_a_gain():
    """Half of the parts, which change too much, do not tell; a quarter of all is sky, and links took the gain to be by
    what is lit."""
    bus = np.zeros((PHOTOS, SHAPE[1]))
    bus[15:19, 2:] = 0.13 + 0.02 * np.arange(SHAPE[1] - 2)
    bus[:, -4:] += 0.02 * np.arange(PHOTOS)[:, None]
    truth, ratios = walked(bus)
    wrong = 0.13 * np.isin(np.arange(PHOTOS), range(15, 19))
    found, lit = passing.without(ratios, truth + wrong)
    assert lit[15:19].all() and lit.sum() == 4
    assert np.abs(found - truth).max() < 5e-3


def test_a_halo_that_goes_leaves_the_rest_unlit():
    """As when somebody stands before a lamp, whose halo lies on the ground, while a car lights other places."""
    truth, ratios = walked(np.zeros((PHOTOS, SHAPE[1])))
    change = np.zeros((PHOTOS, *SHAPE))
    change[19, 4:, 1:7] = -0.055
    change[19, 1:4] = np.linspace(0.03, 0.3, SHAPE[1])
    for (i, j), ratio in ratios.items():
        ratio.parts[...] += np.float32(change[j] - change[i])
        ratio.parts[0, ::2] = ratio.parts[2, ::2] = np.nan
    np.testing.assert_array_equal(passing.without(ratios, truth)[0], truth)


def test_parts_that_beat_do_not_tell_what_passes():
    truth, ratios = walked(np.zeros((PHOTOS, SHAPE[1])))
    sign = np.random.default_rng(3).normal(0, 0.05, PHOTOS)
    for (i, j), ratio in ratios.items():
        ratio.parts[:, :4] += np.float32(sign[j] - sign[i])
    beating = passing.beating(ratios, truth)
    assert len(beating) == 1 and abs(np.corrcoef(beating[0][1:], np.diff(sign))[0, 1]) > 0.99
    assert passing.without(ratios, truth)[1].any()
    found, lit = passing.without(ratios, truth, beating)
    np.testing.assert_array_equal(found, truth)
    assert not lit.any()


def test_a_photo_between_two_that_are_lit_is_taken_for_lit():
    """A stretch of one photo could jump by whatever lights it."""
    bus = passes(17, 0.3)
    bus[19] = 0
    truth, ratios = walked(bus)
    assert passing.without(ratios, truth)[1][18:22].all()


@pytest.mark.parametrize("added", [0.0, 0.04, 0.3])
def test_levels_that_are_right_are_left_alone(added):
    truth, ratios = walked(passes(17, added))
    drifted = truth + 0.05 * np.linspace(0, 1, PHOTOS) ** 2
    np.testing.assert_array_equal(passing.without(ratios, drifted)[0], drifted)


def test_a_dusk_that_falls_by_stops_is_no_bus():
    """Until the lamps show, here sooner than there."""
    lamps = np.geomspace(0.003, 0.05, SHAPE[1])
    dusk = np.log(np.exp(-0.15 * np.arange(PHOTOS))[:, None] + lamps)
    truth, ratios = walked(dusk)
    levels = truth + dusk[:, -1]
    np.testing.assert_array_equal(passing.without(ratios, levels)[0], levels)


def test_photos_without_a_place_and_walks_too_short_to_tell():
    truth, ratios = walked(passes(17, 0.05))
    truth[5] = np.nan
    ratios = {pair: ratio for pair, ratio in ratios.items() if 5 not in pair}
    wrong = truth + np.where(np.arange(PHOTOS) == 19, 0.04, 0)
    np.testing.assert_allclose(passing.without(ratios, wrong)[0], truth, atol=3e-3)
    few = {pair: ratio for pair, ratio in ratios.items() if min(pair) > 14 and max(pair) < 25}
    for some in (few, {}):
        np.testing.assert_array_equal(passing.without(some, wrong)[0], wrong)


@pytest.mark.parametrize("there", [slice(2), slice(1, 4), slice(-1, None), slice(-3, None), slice(-4, -2)])
def test_nobody_knows_what_was_before_the_first_photo_or_comes_after_the_last(there):
    bus = np.zeros((PHOTOS, SHAPE[1]))
    bus[there, 5:] = 0.04
    truth, ratios = walked(bus)
    np.testing.assert_array_equal(passing.without(ratios, truth + bus[:, 6])[0], truth + bus[:, 6])
