"""White points of colour temperatures, against colour-science: the CIE daylight locus (CIE 15), the cubic
approximation of the Planckian locus (Kang, Moon, Hong, Lee, Cho & Kim 2002), and the Planckian locus itself (Ohno
2013).
"""

import colour as science
import numpy as np
import pytest

from kerbwalk import colour


@pytest.mark.parametrize("kelvin", [5000, 5503, 6504, 7500, 10000, 25000])
def test_daylight(kelvin):
    expected = science.temperature.CCT_to_xy_CIE_D(kelvin)
    np.testing.assert_allclose(colour.white_from_kelvin(kelvin), expected, atol=1e-6)


@pytest.mark.parametrize("kelvin", [1700, 2000, 2222, 2700, 3200, 3400, 4000])
def test_planckian(kelvin):
    expected = science.temperature.CCT_to_xy_Kang2002(kelvin)
    np.testing.assert_allclose(colour.white_from_kelvin(kelvin), expected, atol=1e-6)


def test_d65_is_nearly_6504_kelvin():
    np.testing.assert_allclose(colour.white_from_kelvin(6504), colour.D65, atol=5e-4)


@pytest.mark.parametrize("kelvin", [1700, 2000, 2700, 3200, 4000, 4500, 5000, 6500, 10000])
def test_temperature_is_given_back(kelvin):
    """By the nearest place on the true Planckian locus."""
    xy = colour.white_from_kelvin(kelvin)
    found, aside = science.temperature.uv_to_CCT_Ohno2013(science.xy_to_UCS_uv(xy))
    assert found == pytest.approx(kelvin, rel=0.01)
    assert abs(aside) < 0.004  # daylight runs 0.003 above the black body


# Not between 4000 and 5000 K, where the locus of Kerbwalk goes over from the black body to daylight and leans.
@pytest.mark.parametrize("kelvin", [2700, 3200, 5200, 6500])
@pytest.mark.parametrize("tint", [-60, 30, 90])
def test_tint_moves_across_the_locus_only(kelvin, tint):
    """Towards green is above the locus: a positive D_uv."""
    plain, tinted = (
        science.temperature.uv_to_CCT_Ohno2013(science.xy_to_UCS_uv(colour.white_from_kelvin(kelvin, t)))
        for t in (0, tint)
    )
    assert tinted[1] - plain[1] == pytest.approx(tint / 3000, rel=0.05)
    assert tinted[0] == pytest.approx(plain[0], rel=0.02)


@pytest.mark.parametrize("kelvin", [2000, 2856, 3500, 4200, 5003, 6504, 9000, 15000])
@pytest.mark.parametrize("aside", [-0.01, 0.0, 0.01])
def test_correlated_colour_temperature(kelvin, aside):
    xy = science.UCS_uv_to_xy(science.temperature.CCT_to_uv_Ohno2013([kelvin, aside]))
    assert colour.kelvin_of(xy) == pytest.approx(kelvin, rel=0.02)


@pytest.mark.parametrize("xy", [(0.4476, 0.4074), (0.3457, 0.3585), (0.5, 0.4)])
def test_adaptation_is_bradfords(xy):
    whites = (science.xy_to_XYZ(w) for w in (xy, colour.D65))
    expected = science.adaptation.matrix_chromatic_adaptation_VonKries(*whites, transform="Bradford")
    np.testing.assert_allclose(colour.adaptation(xy, colour.D65), expected, atol=1e-4)
