"""A raw file of a chart, decoded to CIE XYZ: the patches' published values (ColorChecker24 after November 2014, as
colour-science has them), seen by the demo's camera under D65, must come back.
"""

import colour as science
import numpy as np
import pytest

from demo import camera, dng
from files import photo
from kerbwalk import colour

BLACK, WHITE = 512, 16383
CHART = science.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
SIDE = 24  # pixels of a patch


@pytest.fixture(scope="module")
def patches():
    """(24, 3) XYZ under D65, white 1."""
    xyz = np.array([science.xyY_to_XYZ(values) for values in CHART.data.values()])
    white = science.xy_to_XYZ(CHART.illuminant)
    return science.adaptation.chromatic_adaptation_VonKries(
        xyz, white, colour.xy_to_xyz(colour.D65), transform="Bradford"
    )


@pytest.fixture(scope="module")
def chart(patches, tmp_path_factory):
    """The chart as a DNG file of six by four patches; the brightest fills 80 % of the sensor's range."""
    seen = patches @ camera.XYZ_TO_CAMERA.T
    neutral = camera.XYZ_TO_CAMERA @ colour.xy_to_xyz(colour.D65)
    exposure = 0.8 / seen.max()
    levels = np.kron((exposure * seen).reshape(4, 6, 3), np.ones((SIDE, SIDE, 1)))
    mosaic = levels[..., 1].copy()
    mosaic[::2, ::2], mosaic[1::2, 1::2] = levels[::2, ::2, 0], levels[1::2, 1::2, 2]
    path = tmp_path_factory.mktemp("chart") / "chart.dng"
    dng.write(
        path,
        np.rint(BLACK + mosaic * (WHITE - BLACK)).astype(np.uint16),
        black=BLACK,
        white=WHITE,
        xyz_to_camera=camera.XYZ_TO_CAMERA,
        neutral=neutral / neutral.max(),
        orientation=1,
        camera=("Maker", "Model"),
        exif=[],
        when="2031:03:14 21:04:10",
    )
    return path, exposure


def test_white_balance_and_matrix_are_the_files(chart):
    record = photo.read_metadata(chart[0])
    response = camera.XYZ_TO_CAMERA @ colour.xy_to_xyz(colour.D65)
    np.testing.assert_allclose(record["neutral"], response[1] / response, rtol=1e-4)
    np.testing.assert_allclose(record["daylight"], response[1] / response, rtol=2e-3)


@pytest.mark.parametrize("half", [False, True])
def test_patches(chart, patches, half):
    path, exposure = chart
    record = photo.read_metadata(path)
    linear = photo.read_linear(path, record["neutral"], half).astype(float) / 65535
    side = SIDE // (2 if half else 1)
    inner = linear.reshape(4, side, 6, side, 3)[:, side // 3 : -(side // 3), :, side // 3 : -(side // 3)]
    rgb = inner.mean((1, 3)).reshape(24, 3) @ np.array(record["matrix"]).T
    xyz = rgb @ colour.rgb_to_xyz(colour.BT709, colour.D65).T
    # The scale is free: by the white patch.
    white = list(CHART.data).index("white 9.5 (.05 D)")
    xyz *= patches[white, 1] / xyz[white, 1]
    difference = science.delta_E(*(science.XYZ_to_Lab(v, colour.D65) for v in (xyz, patches)), method="CIE 2000")
    assert difference.max() < 0.3


def test_level_is_the_sensors(chart, patches):
    """65535 is the sensor's white in the channel with the smallest multiplier."""
    path, exposure = chart
    balance = photo.read_metadata(path)["neutral"]
    linear = photo.read_linear(path, balance, half=True)[2:10, 2:10].mean((0, 1)) / 65535
    expected = exposure * (camera.XYZ_TO_CAMERA @ patches[0]) * balance / min(balance)
    np.testing.assert_allclose(linear, expected, rtol=2e-3)
