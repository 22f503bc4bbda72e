"""Glare about lamps is told from how it moves, and taken off."""

import numpy as np
import pytest

from kerbwalk import glare, light

COUNT, ROWS, COLUMNS = 24, 30, 44


def test_a_lamp_is_a_compact_clipped_spot_also_where_the_border_cuts_it():
    y, x = np.indices((120, 160))
    clipped = (np.hypot(x - 50, y - 40) < 8) | (np.hypot(x + 1, y - 90) < 10)
    clipped[100:102, 60:120] = True
    found = glare.lamps(clipped)
    assert sorted(np.round(found[:, 2]).tolist()) == [8, 10]
    np.testing.assert_allclose(found[np.argsort(found[:, 2])][:, :2], [[50, 40], [-1, 90]], atol=1)


def test_lamps_are_followed_behind_things_and_out_of_the_picture_and_what_passes_is_not():
    at = np.array([[80.0 - 6 * k, 50 + 0.5 * k, 5] for k in range(COUNT)])
    seen = [at[k : k + 1] if at[k, 0] > 5 and not 5 <= k < 9 else at[:0] for k in range(COUNT)]
    for k in range(3, 7):
        seen[k] = np.vstack([seen[k], [[150, 20, 4]]])
    found = glare.followed(seen, lambda _, places: places[:, 0] > 5)
    np.testing.assert_allclose(found[:COUNT], at[:, None], atol=0.01)


def sights(strength, falls=0.0, seed=3):
    """Places among which two lamps move, their photos' levels, which fall by so much (log), and what was seen."""
    rng = np.random.default_rng(seed)
    many = 150
    column, row = rng.integers(1, COLUMNS - 1, many), rng.integers(1, ROWS - 1, many)
    own, levels = np.exp(rng.normal(7, 0.7, many)), rng.normal(0, 0.06, COUNT) - np.linspace(0, falls, COUNT)
    levels -= levels.mean()
    photo, point = (part.ravel() for part in np.meshgrid(np.arange(COUNT), np.arange(many), indexing="ij"))
    moved = [glare.veils(np.array([[40 + 5 * k, 80, 6], [220 - 3 * k, 60, 4]]), ROWS, COLUMNS) for k in range(COUNT)]
    veil = np.array(moved)[photo, row[point], column[point]]
    rim = np.hypot(column - COLUMNS / 2, row - ROWS / 2)[point] ** 2 / 700
    value = np.log(own[point] + veil @ np.array(strength)) + levels[photo] + rng.normal(0, 0.003, len(photo))
    return levels, (COUNT, photo, point, value, rim, veil)


@pytest.mark.parametrize("falls", [0, 3])
@pytest.mark.parametrize("strength", [(0, 0.05, 0, 0.02, 0), (0, 0, 0.04, 0, 0.03)])
def test_the_strength_of_glare_is_found_whatever_its_law_and_at_dusk(strength, falls):
    levels, seen = sights(strength, falls)
    found, brightness = glare.strengths(*seen)
    np.testing.assert_allclose(seen[-1] @ found, seen[-1] @ np.array(strength), rtol=0.1, atol=10)
    np.testing.assert_allclose(brightness, levels, atol=0.002)


def test_where_there_is_no_glare_none_is_found():
    _, seen = sights((0, 0, 0, 0, 0))
    found, _ = glare.strengths(*seen)
    assert np.quantile(seen[-1] @ found / np.exp(seen[3]), 0.95) < 5e-4


def test_without_sights_or_lamps_there_is_no_glare():
    none = np.array([], int)
    found, brightness = glare.strengths(3, none, none, np.array([]), np.array([]), np.zeros((0, len(glare.BELLS))))
    assert not found.any() and brightness.tolist() == [0, 0, 0]


def test_glare_is_taken_off_the_ratio_of_two_photos():
    rng = np.random.default_rng(1)
    scene = np.repeat(rng.uniform(2000, 6000, (180, 264, 1)).astype(np.float32), 3, axis=2)
    added = glare.veils(np.array([[130, 90, 9]]), ROWS, COLUMNS) @ np.array([0, 0, 0, 0, 0.1], np.float32)
    every = np.kron(added, np.ones((light.BLOCK, light.BLOCK), np.float32))[..., None]
    radius = np.zeros((ROWS, COLUMNS), np.float32)
    laid = (np.dstack([rgb, 0 * rgb[..., 0]]) for rgb in (scene, 1.05 * scene + every))
    first, second = (light.frame(one, radius) for one in laid)
    seen = light.compared(first.grey, second.grey, light.flow(first, second))
    wrong = light.ratio(first, second, seen).model[0] - np.log(1.05)
    right = light.ratio(first, light.glared(second, added), seen).model[0] - np.log(1.05)
    assert wrong > 0.01 and abs(right) < 0.002
