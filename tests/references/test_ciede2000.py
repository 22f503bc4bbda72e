"""CIEDE2000 against the test data of Sharma, Wu & Dalal 2005 (table 1: pairs and differences to four places, from
memory, which colour-science's own function confirms), and against colour-science on random colours.
"""

import colour as science
import numpy as np
import pytest

from kerbwalk import colour, difference

SHARMA = """
50 2.6772 -79.7751 50 0 -82.7485 2.0425;  50 3.1571 -77.2803 50 0 -82.7485 2.8615
50 2.8361 -74.0200 50 0 -82.7485 3.4412;  50 -1.3802 -84.2814 50 0 -82.7485 1.0000
50 -1.1848 -84.8006 50 0 -82.7485 1.0000; 50 -0.9009 -85.5211 50 0 -82.7485 1.0000
50 0 0 50 -1 2 2.3669;                    50 -1 2 50 0 0 2.3669
50 2.4900 -0.0010 50 -2.4900 0.0009 7.1792; 50 2.4900 -0.0010 50 -2.4900 0.0010 7.1792
50 2.4900 -0.0010 50 -2.4900 0.0011 7.2195; 50 2.4900 -0.0010 50 -2.4900 0.0012 7.2195
50 -0.0010 2.4900 50 0.0009 -2.4900 4.8045; 50 -0.0010 2.4900 50 0.0010 -2.4900 4.8045
50 -0.0010 2.4900 50 0.0011 -2.4900 4.7461; 50 2.5 0 50 0 -2.5 4.3065
50 2.5 0 73 25 -18 27.1492;               50 2.5 0 61 -5 29 22.8977
50 2.5 0 56 -27 -3 31.9030;               50 2.5 0 58 24 15 19.4535
50 2.5 0 50 3.1736 0.5854 1.0000;         50 2.5 0 50 3.2972 0 1.0000
50 2.5 0 50 1.8634 0.5757 1.0000;         50 2.5 0 50 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644; 63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731; 35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373; 36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441; 90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377; 2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""
TABLE = np.array([pair.split() for pair in SHARMA.replace("\n", ";").split(";") if pair.strip()], float)


def test_sharmas_pairs():
    assert len(TABLE) == 34
    np.testing.assert_allclose(difference.ciede2000(TABLE[:, :3], TABLE[:, 3:6]), TABLE[:, 6], atol=5.1e-5)
    np.testing.assert_allclose(difference.ciede2000(TABLE[:, 3:6], TABLE[:, :3]), TABLE[:, 6], atol=5.1e-5)


def test_random_colours():
    rng = np.random.default_rng(2)
    one = rng.uniform([0, -100, -100], [100, 100, 100], (20_000, 3))
    other = one + rng.normal(0, 15, one.shape)
    theirs = science.delta_E(one, other, method="CIE 2000")
    np.testing.assert_allclose(difference.ciede2000(one, other), theirs, atol=1e-9)


@pytest.mark.parametrize("signal", [[0, 0, 0], [1, 1, 1], [0.01, 0.02, 0], [0.5, 0.4, 0.7]])
def test_lab(signal):
    light = science.models.eotf_BT1886(np.array(signal, float), L_B=0, L_W=1)
    matrix = science.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ
    expected = science.XYZ_to_Lab(matrix @ light, colour.D65)
    np.testing.assert_allclose(difference.lab_of_signal(np.array([signal]))[0], expected, atol=0.02)
