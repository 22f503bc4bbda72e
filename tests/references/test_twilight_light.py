"""Light on level ground by the sun's height, against the Glossary of Meteorology of the American Meteorological Society
(entries civil, nautical and astronomical twilight): at sunset some 585 to 410 lux, at -6 degrees 3.5 to 2 lux, at -12
degrees 0.008 lux, at -18 degrees 0.0006 lux. Full moon and noon sun: common tables of illuminance (from memory).
"""

import pytest

from kerbwalk.plan import sky


@pytest.mark.parametrize(
    ("height", "least", "most"),
    [(-50 / 60, 410, 585), (-6, 2, 3.5), (-12, 0.0075, 0.0085), (-18, 5.5e-4, 6.5e-4), (60, 1.0e5, 1.2e5)],
)
def test_the_sun(height, least, most):
    assert least <= sky.sunlight(height) <= most


def test_a_full_moon_gives_a_quarter_of_a_lux_when_high_and_a_half_one_a_tenth_of_that():
    full = sky.Moon(height=70, lit=1.0, waxing=True, phase_angle=0, parallax=0.951)
    half = sky.Moon(height=70, lit=0.5, waxing=True, phase_angle=90, parallax=0.951)
    assert 0.2 <= sky.moonlight(full) <= 0.32
    assert 0.08 <= sky.moonlight(half) / sky.moonlight(full) <= 0.13
