"""What lasting places say of the light over a whole walk."""

import numpy as np
import pytest

from kerbwalk import drift, light

COUNT, POINTS = 100, 400


def walk(seed=1, vignetting=0.5, bus=()):
    """(true levels, sights) of a walk towards places that drift outwards, some of them hidden now and then; in photos
    of `bus` most are lit by it."""
    rng = np.random.default_rng(seed)
    truth = np.cumsum(rng.normal(0, 0.06, COUNT))
    own, far, start = rng.normal(0, 1, POINTS), rng.uniform(0.2, 1, POINTS), rng.uniform(0, 0.5, POINTS)
    photo, point = (part.ravel() for part in np.indices((COUNT, POINTS)))
    rim = np.square(start[point] * (1 + far[point] * photo / COUNT))
    value = truth[photo] + own[point] - vignetting * rim + rng.normal(0, 0.02, len(photo))
    value[rng.random(len(value)) < 0.1] -= 1
    value[rng.random(len(value)) < 0.1] = np.nan
    value += np.isin(photo, bus) * (point % 5 > 0) * rng.uniform(0.05, 1, len(point))
    seen = rng.random(len(photo)) < 0.8
    return truth, (photo[seen], point[seen], value[seen], rim[seen])


@pytest.mark.parametrize("bus", [(), range(40, 55)])
def test_slow_drift_and_vignetting_are_found(bus):
    truth, sights = walk(bus=bus)
    wrong = 0.03 * np.cos(np.pi * np.arange(COUNT) / COUNT)
    found, vignetting = drift.drift(truth - wrong, *sights)
    assert np.abs(found - (wrong - wrong.mean())).max() < 5e-3
    assert vignetting == pytest.approx(0.5, abs=0.05)


def test_where_a_bus_comes_and_goes_the_links_may_be_wrong_at_once():
    """By more when it goes than when it comes; what is smooth would hand that on to the photos beside it."""
    lit = np.isin(np.arange(COUNT), range(40, 46))
    truth, sights = walk(bus=np.flatnonzero(lit))
    wrong = np.where(np.arange(COUNT) > 45, 0.04, np.where(lit, 0.01, 0.0))
    off = {}
    for name, known in (("smooth", None), ("jumps", lit)):
        found, _ = drift.drift(truth - wrong, *sights, lit=known)
        rest = (found - wrong)[~lit]
        off[name] = np.abs(rest - rest.mean()).max()
    assert off["jumps"] < 4e-3 < 0.5 * off["smooth"]
    assert drift.jump(found, lit) > 4 * drift.jump(drift.drift(truth, *sights, lit=lit)[0], lit)


def test_where_all_moves_outwards_links_tell_the_vignetting():
    """Of places as far from the lens's axis, which all darken as the walk nears them, half would pass for a drift."""
    rng = np.random.default_rng(5)
    photo, point = (part.ravel() for part in np.indices((COUNT, POINTS)))
    rim = np.square(rng.uniform(0.45, 0.46, POINTS)[point] * (1 + 0.6 * photo / COUNT))
    value = rng.normal(0, 0.02, len(photo)) - 0.36 * rim
    off = {}
    for name, lens in (("places", None), ("links", (0.36, 0.01))):
        found, vignetting = drift.drift(np.zeros(COUNT), photo, point, value, rim, lens=lens)
        off[name] = np.std(found)
    assert vignetting == pytest.approx(0.36, abs=0.02)
    assert off["links"] < 2e-3 < 5e-3 < off["places"], off


def test_what_changes_from_photo_to_photo_is_no_drift():
    """Neither the levels' own errors nor what walks by adds to flicker."""
    truth, sights = walk()
    error = np.random.default_rng(2).normal(0, 0.005, COUNT)
    error[7] = np.nan
    found, _ = drift.drift(truth - error, *sights)
    assert np.std(np.diff(found, 2)) < 1e-4 and np.abs(found).max() < 3e-3
    assert np.nanmean(found[np.isfinite(error)]) == pytest.approx(0, abs=1e-9)


def test_places_that_shine_evenly_say_more_than_those_that_a_glow_crosses():
    """Of which most brighten steadily, and waver."""
    rng = np.random.default_rng(3)
    photo, point = (part.ravel() for part in np.indices((COUNT, POINTS)))
    crossed = point % 5 > 0
    value = crossed * (5e-4 * rng.uniform(0.5, 1, POINTS)[point] * photo + rng.normal(0, 0.03, len(point)))
    found, _ = drift.drift(np.zeros(COUNT), photo, point, value + rng.normal(0, 0.005, len(point)), 0.0 * photo)
    assert np.ptp(found) < 3e-3


def test_what_beats_is_no_drift():
    """Of a lamp that flickers by a fifth, and lights most places by some of that, slow waves are left in any mean."""
    truth, (photo, point, value, rim) = walk()
    rng = np.random.default_rng(4)
    share = rng.uniform(0, 0.2, POINTS) * (rng.random(POINTS) < 0.9)
    value = value + share[point] * rng.normal(0, 1, COUNT)[photo]
    alone, known = (
        np.std(drift.drift(truth, photo, point, value, rim, shares=shares)[0]) for shares in (None, share[:, None])
    )
    assert known < 1.5e-3 < 3e-3 < alone


@pytest.mark.parametrize("count", [2, 3, 9])
def test_without_sights_there_is_no_drift(count):
    none = np.array([], int)
    for levels in (np.zeros(count), np.full(count, np.nan)):
        found, vignetting = drift.drift(levels, none, none, np.array([]), np.array([]))
        np.testing.assert_array_equal(found, np.zeros(count))
        assert vignetting == 0


def test_a_place_is_as_bright_as_what_is_usable_there():
    laid = np.zeros((60, 90, 4), np.float32)
    laid[:, :40, :3], laid[:, 40:, :3], laid[20, 20, 3] = 2000, 6000, 1
    frame = light.frame(laid, np.zeros((10, 15), np.float32))
    found = drift.brightness(frame, [[10, 30], [70, 30], [21, 21], [200, 30]])
    np.testing.assert_allclose(found[:2], np.log([2000, 6000]), atol=1e-5)
    assert np.isnan(found[2:]).all()
