"""Known steps: names and true values, filters, photos that do not tell, and the ramp."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import exposure


def photos(*settings):
    """Records of photos 0, 1, ... with (shutter, aperture, iso)."""
    return [
        dict(zip(("name", "shutter", "aperture", "iso"), (str(k), *s), strict=True)) for k, s in enumerate(settings)
    ]


@given(st.floats(0.001, 30), st.floats(1.4, 22), st.floats(50, 6400))
def test_known_stops(shutter, aperture, iso):
    stops = exposure.known_stops(shutter, aperture, iso)
    assert exposure.known_stops(2 * shutter, aperture, iso) - stops == pytest.approx(1)
    assert exposure.known_stops(shutter, aperture * np.sqrt(2), iso) - stops == pytest.approx(-1)
    assert exposure.known_stops(shutter, aperture, 4 * iso) - stops == pytest.approx(2)
    assert np.isnan(exposure.known_stops(np.nan, aperture, iso))


@pytest.mark.parametrize(
    ("names", "first", "step"),
    [
        (exposure.THIRD_TIMES, 32, -1 / 3),
        (exposure.HALF_TIMES, 32, -1 / 2),
        (exposure.THIRD_APERTURES, 1, 1 / 6),
        (exposure.HALF_APERTURES, 1, 1 / 4),
        (exposure.THIRD_SPEEDS, 25, 1 / 3),
    ],
)
def test_names_are_near_what_they_stand_for(names, first, step):
    """In order, each once, and none a quarter of a stop off (which a slip in the list would make)."""
    true = first * 2.0 ** (step * np.arange(len(names)))
    assert (np.diff(names) * step > 0).all()
    assert np.abs(np.log2(names / true)).max() < 0.18


@pytest.mark.parametrize(
    ("told", "true"),
    [
        ([1 / 13, 1 / 15], [2 ** (-11 / 3), 2**-4.0]),
        ([0.3, 0.4, 30], [2 ** (-5 / 3), 2 ** (-4 / 3), 32]),
        ([1 / 45, 1 / 20], [2**-5.5, 2**-4.5]),
        ([1 / 20, 1 / 40], [2 ** (-13 / 3), 2 ** (-16 / 3)]),
        # one that has no name: the camera writes what it did
        ([3.0, 4.762], [3.0, 4.762]),
        ([1 / 12.7, 1 / 13], [1 / 12.7, 1 / 13]),
        # longer than any name: timed by hand
        ([30, 47, 200], [32, 47, 200]),
        ([np.nan, 1 / 30], [np.nan, 1 / 32]),
    ],
)
def test_true_shutter(told, true):
    np.testing.assert_allclose(exposure.true_shutter(told), true, rtol=1e-9)


def test_apertures_and_speeds_in_thirds():
    np.testing.assert_allclose(exposure.true_aperture([5.6, 6.3]), [2**2.5, 2 ** (8 / 3)])
    np.testing.assert_allclose(exposure.true_iso([100, 125, 1600]), [100, 100 * 2 ** (1 / 3), 1600])


def test_known_steps_add_up():
    """A third by the shutter, two thirds by the aperture, one stop by the speed, and a filter put on and taken off."""
    steps = exposure.known_steps(
        photos((1 / 15, 8, 100), (1 / 13, 8, 100), (1 / 13, 6.3, 100), (1 / 13, 6.3, 200), (1 / 13, 6.3, 200)),
        {"1": 0.9, "3": 0},
    )
    density = -0.9 * np.log2(10)
    np.testing.assert_allclose(steps - steps[0], [0, 1 / 3 + density, 1 + density, 2, 2], atol=1e-9)


def test_photos_that_do_not_tell():
    """No aperture in any: a lens without contacts. No shutter in one: as the photo before."""
    steps = exposure.known_steps(photos((None, None, 100), (1, None, 100), (2, None, 100), (None, None, 100)), {})
    np.testing.assert_allclose(steps - steps[0], [0, 0, 1, 1])
    nothing = exposure.known_steps(photos((None, None, None), (None, None, None)), {})
    np.testing.assert_array_equal(nothing, 0)


@given(st.lists(st.sampled_from([0, 0, 0, 1 / 3, 2 / 3, 1.25]), min_size=2, max_size=60))
def test_ramp_goes_through_the_middle_of_every_step(changes):
    known = np.cumsum([0, *changes])
    ramp = exposure.ramp(known)
    assert ramp[0] == pytest.approx(known[0]) and ramp[-1] == pytest.approx(known[-1])
    for k in exposure.changes_of(known):
        middle = (known[k - 1] + known[k]) / 2
        assert min(ramp[k - 1], ramp[k]) - 1e-9 <= middle <= max(ramp[k - 1], ramp[k]) + 1e-9
