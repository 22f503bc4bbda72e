"""Common LUT Format (Academy S-2014-006), as OpenColorIO reads it: the look's file says the same as the look."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import PyOpenColorIO as ocio
import pytest

from kerbwalk import look

SETTINGS = {"exposure": 1.0, "contrast": 1.2, "toe": 0.3, "shoulder": 0.7, "saturation": 1.1, "pivot": 0.18}
MATRIX = np.array([[1.5, -0.4, -0.1], [-0.2, 1.4, -0.2], [0.0, -0.5, 1.5]])


@pytest.mark.parametrize("cdl", [None, {"slope": (1.1, 1, 0.9), "saturation": 1.2}])
def test_file_and_transform_agree(tmp_path, cdl):
    def steps():
        return look.transform(MATRIX, SETTINGS, cdl and look.cdl_transform(**cdl))

    path = tmp_path / "look.clf"
    path.write_text(look.text(steps(), look.CLF, "an evening's look"), encoding="utf-8")
    pixels = np.random.default_rng(4).uniform(0, 1, (1000, 3)).astype(np.float32)
    results = []
    for transform in (steps(), ocio.FileTransform(str(path))):
        results.append(pixels.copy())
        ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor().applyRGB(results[-1])
    # a tenth of a step of the 10-bit signal
    np.testing.assert_allclose(results[1], results[0], atol=1e-4)


def test_the_file_is_a_clf(tmp_path):
    text = look.text(look.transform(MATRIX, SETTINGS, look.cdl_transform()), look.CLF)
    root = ElementTree.fromstring(text.encode())
    assert root.tag.rpartition("}")[2] == "ProcessList"
    assert root.get("compCLFversion") in ("2.0", "3.0", "3")
    steps = [child.tag.rpartition("}")[2] for child in root]
    assert steps == [
        "InputDescriptor", "OutputDescriptor", "Matrix", "Log", "ASC_CDL", "Log", "LUT1D", "Matrix", "Range",
        "Exponent",
    ]  # fmt: skip
