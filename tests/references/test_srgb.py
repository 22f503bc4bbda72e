"""sRGB and linear light (IEC 61966-2-1), against colour-science's functions of it: photos that are TIFFs are read by
the one, and reference.tif is written by the other."""

import colour as science
import numpy as np
import tifffile

from files import photo, still


def test_srgb_is_read_as_linear_light(tmp_path):
    encoded = np.linspace(0, 65535, 20 * 30 * 3).astype(np.uint16).reshape(20, 30, 3)
    tifffile.imwrite(tmp_path / "a.tif", encoded, photometric="rgb")
    linear = photo.read_linear(tmp_path / "a.tif", (1, 1, 1), False)
    expected = science.models.eotf_sRGB(encoded / 65535)
    np.testing.assert_allclose(linear / 65535, expected, atol=5e-5)


def test_the_reference_is_written_as_srgb(tmp_path):
    light = np.linspace(0, 1, 20 * 30 * 3).reshape(20, 30, 3)
    still.write_reference(tmp_path / "a.tif", light ** (1 / 2.4))
    written = tifffile.imread(tmp_path / "a.tif") / 65535
    np.testing.assert_allclose(written, science.models.eotf_inverse_sRGB(light), atol=1e-4)
