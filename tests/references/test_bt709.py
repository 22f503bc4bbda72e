"""ITU-R BT.709-6 (primaries, white, luma coefficients, quantisation) and BT.2020-2 (luminance), as colour-science
gives them: its tables carry the Recommendations' numbers, typed in by others.
"""

import colour as science
import numpy as np
import pytest

from kerbwalk import colour, signal

BT709 = science.RGB_COLOURSPACES["ITU-R BT.709"]
BT2020 = science.RGB_COLOURSPACES["ITU-R BT.2020"]


@pytest.mark.parametrize(("ours", "theirs"), [(colour.BT709, BT709), (colour.BT2020, BT2020)])
def test_primaries_and_white(ours, theirs):
    np.testing.assert_array_equal(ours, theirs.primaries)
    np.testing.assert_array_equal(colour.D65, theirs.whitepoint)


@pytest.mark.parametrize(("ours", "theirs"), [(colour.BT709, BT709), (colour.BT2020, BT2020)])
def test_matrix_to_xyz(ours, theirs):
    derived = science.normalised_primary_matrix(theirs.primaries, theirs.whitepoint)
    np.testing.assert_allclose(colour.rgb_to_xyz(ours, colour.D65), derived, atol=1e-12)
    # the matrix that colour-science publishes with the space, rounded or not
    np.testing.assert_allclose(colour.rgb_to_xyz(ours, colour.D65), theirs.matrix_RGB_to_XYZ, atol=1e-4)


def test_xyz_to_bt709():
    np.testing.assert_allclose(colour.XYZ_TO_BT709, np.linalg.inv(BT709.matrix_RGB_to_XYZ), atol=5e-4)


def test_bt709_to_working_space():
    expected = science.matrix_RGB_to_RGB(BT709, BT2020, chromatic_adaptation_transform=None)
    np.testing.assert_allclose(colour.BT709_TO_WORKING, expected, atol=1e-4)


def test_luma_coefficients():
    red, blue = science.WEIGHTS_YCBCR["ITU-R BT.709"]
    np.testing.assert_allclose(colour.LUMA_BT709, [red, 1 - red - blue, blue], atol=1e-12)
    # to four places they are the luminances of the primaries
    np.testing.assert_allclose(colour.LUMA_BT709, colour.rgb_to_xyz(colour.BT709, colour.D65)[1], atol=5e-5)
    np.testing.assert_allclose(colour.LUMINANCE_BT2020, colour.rgb_to_xyz(colour.BT2020, colour.D65)[1], atol=5e-5)


def test_ycbcr_in_10_bits(no_look):
    rgb = np.random.default_rng(1).uniform(0, 1, (500, 1, 3)).astype(np.float32)
    planes = np.empty((3, 500, 1), np.uint16)
    signal.encode(rgb, no_look, planes)
    weights = science.WEIGHTS_YCBCR["ITU-R BT.709"]
    expected = science.RGB_to_YCbCr(rgb.astype(float), K=weights, out_bits=10, out_legal=True, out_int=False)
    np.testing.assert_allclose(planes.transpose(1, 2, 0), expected * 1023, atol=1.001)
