"""A raw file of a chart, decoded to CIE XYZ: the patches' published values (ColorChecker24 after November 2014, as
colour-science has them), seen by a known camera under a known light, must come back. The camera's matrices are mixed
and its white found as the Digital Negative Specification 1.7, chapter 6, has it, here written out anew and with
colour-science's Ohno 2013 for temperatures.
"""

import colour as science
import numpy as np
import pytest

from demo import camera as demo_camera
from demo import dng
from files import photo
from kerbwalk import camera, colour, decode

BLACK, WHITE = 512, 16383
CHART = science.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
SIDE = 24  # pixels of a patch
D65, A = demo_camera.XYZ_TO_CAMERA, np.array([[0.91, -0.30, -0.02], [-0.39, 1.20, 0.21], [-0.05, 0.16, 0.66]])
CALIBRATION = np.diag([1.02, 1, 0.97])
FORWARD = np.array([[0.62, 0.25, 0.0942], [0.24, 0.82, -0.06], [0.02, -0.12, 0.925]])
STREET = (0.4053, 0.3907)  # a light of about 3500 K


def between(kelvin, low, high, low_kelvin=2856, high_kelvin=6504):
    share = (1 / kelvin - 1 / high_kelvin) / (1 / low_kelvin - 1 / high_kelvin)
    return share * low + (1 - share) * high


def rational(tag, values):
    return (tag, dng.SRATIONAL, np.ravel(values))


TWO_LIGHTS = [rational(50721, A), (50778, dng.SHORT, [17]), rational(50722, D65), (50779, dng.SHORT, [21])]
KELVIN = science.temperature.uv_to_CCT_Ohno2013(science.xy_to_UCS_uv(STREET))[0]
# name: the light, the matrix from XYZ to camera RGB, what the file says beside ColorMatrix1 for D65
CAMERAS = {
    "one matrix, D65": (colour.D65, D65, []),
    "one matrix, street lamps": (STREET, D65, []),
    "two matrices": (STREET, between(KELVIN, A, D65), TWO_LIGHTS),
    "two matrices, a white given as xy": (
        STREET,
        between(KELVIN, A, D65),
        [*TWO_LIGHTS, (50728, dng.RATIONAL, None), (50729, dng.RATIONAL, STREET)],
    ),
    "two matrices, calibrated": (
        STREET,
        CALIBRATION @ between(KELVIN, A, D65),
        [*TWO_LIGHTS, rational(50723, CALIBRATION), rational(50724, CALIBRATION)],
    ),
}


@pytest.fixture(scope="module")
def patches():
    """(24, 3) XYZ under D65, white 1."""
    return adapted(np.array([science.xyY_to_XYZ(v) for v in CHART.data.values()]), CHART.illuminant, colour.D65)


def adapted(xyz, one, other):
    whites = (science.xy_to_XYZ(xy) for xy in (one, other))
    return science.adaptation.chromatic_adaptation_VonKries(xyz, *whites, transform="Bradford")


def chart(path, light, matrix, more, patches):
    """The chart as a DNG file of six by four patches; the brightest fills 80 % of the sensor's range."""
    seen = adapted(patches, colour.D65, light) @ matrix.T
    neutral = matrix @ science.xy_to_XYZ(light)
    exposure = 0.8 / seen.max()
    levels = np.kron((exposure * seen).reshape(4, 6, 3), np.ones((SIDE, SIDE, 1)))
    mosaic = levels[..., 1].copy()
    mosaic[::2, ::2], mosaic[1::2, 1::2] = levels[::2, ::2, 0], levels[1::2, 1::2, 2]
    values = np.rint(BLACK + mosaic * (WHITE - BLACK)).astype(np.uint16)
    dng.write(
        path, values, black=BLACK, white=WHITE, xyz_to_camera=D65, neutral=neutral / neutral.max(), orientation=1,
        camera=("Maker", "Model"), exif=[], when="2031:03:14 21:04:10", more=more,
    )  # fmt: skip
    return path, exposure


def decoded(path, half, balance=None):
    """Mean of the inner part of each patch, (24, 3), as parts of the sensor's range."""
    balance = balance or photo.read_photo(path)[0]["neutral"]
    linear = photo.read_linear(path, balance, half).astype(float) / decode.full_levels(balance)
    side = SIDE // (2 if half else 1)
    inner = linear.reshape(4, side, 6, side, 3)[:, side // 3 : -(side // 3), :, side // 3 : -(side // 3)]
    return inner.mean((1, 3)).reshape(24, 3)


def differences(rgb, record, patches):
    """CIEDE2000 of camera RGB to the patches. The scale is free: by the white patch."""
    white = camera.white_of(record["matrix"], 1 / np.array(record["neutral"]))
    xyz = rgb @ camera.to_working(record["matrix"], white).T @ colour.rgb_to_xyz(colour.BT2020, colour.D65).T
    place = list(CHART.data).index("white 9.5 (.05 D)")
    xyz *= patches[place, 1] / xyz[place, 1]
    return science.delta_E(*(science.XYZ_to_Lab(v, colour.D65) for v in (xyz, patches)), method="CIE 2000")


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("name", CAMERAS)
def test_patches(name, half, patches, tmp_path):
    path, _ = chart(tmp_path / "chart.dng", *CAMERAS[name], patches)
    found = differences(decoded(path, half), photo.read_photo(path)[0], patches)
    assert np.median(found) < 0.1
    assert found.max() < 0.3


@pytest.mark.parametrize("name", CAMERAS)
def test_white_is_found(name, patches, tmp_path):
    light, matrix, more = CAMERAS[name]
    record = photo.read_photo(chart(tmp_path / "chart.dng", light, matrix, more, patches)[0])[0]
    response = matrix @ science.xy_to_XYZ(light)
    np.testing.assert_allclose(record["neutral"], response[1] / response, rtol=1e-3)
    np.testing.assert_allclose(camera.white_of(record["matrix"], response), light, atol=2e-4)


def test_forward_matrices(patches):
    """By the specification's formula: XYZ under D50 = FM D (AB CC)^-1 camera, D the inverse of the neutral."""
    model = {
        "kelvin": [2856, 6504], "xyz_to_camera": [A, D65], "camera_to_d50": [FORWARD, FORWARD],
        "calibration": [CALIBRATION, CALIBRATION], "analog": [1.1, 1.0, 0.9],
    }  # fmt: skip
    own = np.diag([1.1, 1.0, 0.9]) @ CALIBRATION
    rgb = np.random.default_rng(1).uniform(0, 1, (20, 3))
    neutral = camera.neutral_of(model, STREET)
    to_d50 = FORWARD @ np.diag(1 / (np.linalg.inv(own) @ neutral)) @ np.linalg.inv(own)
    d50 = np.array(science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"])
    expected = adapted(rgb @ to_d50.T, d50, colour.D65)
    result = rgb @ camera.to_working(model, STREET).T @ colour.rgb_to_xyz(colour.BT2020, colour.D65).T
    np.testing.assert_allclose(result, expected, atol=2e-3)


def test_libraws_own_matrix_says_the_same_where_the_dng_is_for_d65(patches, tmp_path):
    """What serves for raw files of other kinds."""
    import rawpy

    path, _ = chart(tmp_path / "chart.dng", colour.D65, D65, [], patches)
    with rawpy.imread(str(path)) as raw:
        found = np.array(photo.libraw_matrix(raw)["xyz_to_camera"][0])
    np.testing.assert_allclose(found / found[1, 1], D65 / D65[1, 1], atol=2e-3)


def test_level_is_the_sensors(patches, tmp_path):
    """Each channel is full where the sensor is: at 65535 in the one with the greatest multiplier."""
    path, exposure = chart(tmp_path / "chart.dng", colour.D65, D65, [], patches)
    balance = photo.read_photo(path)[0]["neutral"]
    np.testing.assert_allclose(decoded(path, True, balance), exposure * patches @ D65.T, rtol=2e-3, atol=2e-5)
