"""The American Society of Cinematographers' Color Decision List, version 1.2 (slope, offset, power, saturation with
BT.709 weights), against its formula in exact arithmetic and OpenColorIO's CDLTransform; and its .cc file.
"""

import itertools
import xml.etree.ElementTree as ElementTree
from fractions import Fraction

import numpy as np
import PyOpenColorIO as ocio
import pytest

from kerbwalk import colour, look

EYE = colour.BT709_TO_WORKING
PLAIN = {"exposure": 0.0, "contrast": 1.0, "toe": 0.0, "shoulder": 0.0, "saturation": 1.0, "pivot": 0.18}
GRADES = [
    {"slope": (1.2, 1.0, 0.9), "offset": (0.02, 0.0, -0.01)},
    {"power": (2, 1, 3)},
    {"slope": (0.8, 1.1, 1.0), "offset": (0.05, 0.0, 0.01), "power": (2, 2, 1), "saturation": 1.3},
    {"saturation": 0.0},
]
CC = """<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection id="evening" xmlns="urn:ASC:CDL:v1.2">
  <SOPNode><Slope>1.1 1.0 0.95</Slope><Offset>0.01 0 -0.02</Offset><Power>1.05 1 0.98</Power></SOPNode>
  <SatNode><Saturation>0.9</Saturation></SatNode>
</ColorCorrection>
"""


def applied(transform, pixels):
    result = np.array(pixels, np.float32).reshape(-1, 3)
    ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor().applyRGB(result)
    return result


def exact(pixel, slope=(1, 1, 1), offset=(0, 0, 0), power=(1, 1, 1), saturation=1.0):
    """out = (in * slope + offset) ^ power for whole powers, then saturation about BT.709 luma: Fractions."""
    exactly = [[Fraction(str(v)) for v in values] for values in (slope, offset)]
    values = [(Fraction(float(v)) * s + o) ** int(p) for v, s, o, p in zip(pixel, *exactly, power, strict=True)]
    luma = sum(Fraction(str(w)) * v for w, v in zip((0.2126, 0.7152, 0.0722), values, strict=True))
    return [float(luma + Fraction(str(saturation)) * (v - luma)) for v in values]


@pytest.mark.parametrize("grade", GRADES)
def test_the_formula(grade):
    pixels = np.array(list(itertools.product((0.05, 0.3, 0.5, 0.9), repeat=3)), np.float32)
    expected = [exact(pixel, **grade) for pixel in pixels]
    transform = look.cdl_transform(**grade)
    transform.setStyle(ocio.CDL_NO_CLAMP)
    np.testing.assert_allclose(applied(transform, pixels), expected, atol=2e-5)


def acescct(x):
    """ACEScct from linear (Academy S-2016-001): 10.5402377416545 x + 0.0729055341958355 at and below 0.0078125."""
    x = np.asarray(x, float)
    return np.where(
        x <= 0.0078125, 10.5402377416545 * x + 0.0729055341958355, (np.log2(np.maximum(x, 1e-9)) + 9.72) / 17.52
    )


def linear(v):
    return np.where(v <= 0.155251141552511, (v - 0.0729055341958355) / 10.5402377416545, 2 ** (v * 17.52 - 9.72))


def test_the_log_encoding_is_acescct():
    x = np.concatenate([[0, 0.001, 0.0078, 0.0079], np.geomspace(0.01, 60, 50)])[:, None] * np.ones(3)
    np.testing.assert_allclose(applied(ocio.LogCameraTransform(**look._CCT), x), acescct(x), atol=2e-6)


@pytest.mark.parametrize("grade", GRADES[:3])
def test_in_the_look_it_works_on_the_log_encoded_working_space(grade):
    pixels = np.random.default_rng(2).uniform(0.02, 0.35, (200, 3))
    # of a sensor that is never full, as the tone curve takes what is full to white
    signal = applied(look.transform(EYE, PLAIN, look.cdl_transform(**grade), full=1e4), pixels)
    log = acescct(pixels @ colour.BT709_TO_WORKING.T)
    graded = np.array([exact(pixel, **grade) for pixel in log])
    light = np.clip(linear(graded), 0, 1) @ np.linalg.inv(colour.BT709_TO_WORKING).T
    # the tone curve's table is exact at half floats: 1 in 2,000
    np.testing.assert_allclose(signal.astype(float) ** 2.4, np.clip(light, 0, 1), rtol=2e-3, atol=2e-4)


def test_a_cc_file_is_read_as_written(tmp_path):
    path = tmp_path / "evening.cc"
    path.write_text(CC, encoding="utf-8")
    read = ocio.CDLTransform.CreateFromFile(str(path), "")
    assert read.getSlope() == [1.1, 1.0, 0.95]
    assert read.getOffset() == [0.01, 0, -0.02]
    assert read.getPower() == [1.05, 1, 0.98]
    assert read.getSat() == 0.9


def test_the_looks_that_come_with_kerbwalk_are_cdl():
    from house.settings import SCHEMA

    for path in (SCHEMA.parents[2] / "config" / "looks").glob("*.cc"):
        root = ElementTree.parse(path).getroot()
        assert root.tag in ("{urn:ASC:CDL:v1.2}ColorCorrection", "ColorCorrection")
        read = ocio.CDLTransform.CreateFromFile(str(path), "")
        written = [float(v) for v in root.find(".//{*}Slope").text.split()]
        assert read.getSlope() == pytest.approx(written)
