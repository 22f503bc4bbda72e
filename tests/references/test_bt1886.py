"""ITU-R BT.1886 (EOTF of the display, black of zero), against colour-science's function of it; the look is read
from its CLF file by OpenColorIO.
"""

import colour as science
import numpy as np
import PyOpenColorIO as ocio
import pytest

from kerbwalk import colour, look

EYE = colour.BT709_TO_WORKING
PLAIN = {"exposure": 0.0, "contrast": 1.0, "toe": 0.0, "shoulder": 0.0, "saturation": 1.0, "pivot": 0.18}


def through_clf(tmp_path, steps, pixels):
    """pixels: (n, 3), through the CLF file of a look."""
    path = tmp_path / "look.clf"
    path.write_text(look.text(steps, look.CLF), encoding="utf-8")
    result = np.array(pixels, np.float32)
    processor = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(str(path)))
    processor.getDefaultCPUProcessor().applyRGB(result)
    return result


def displayed(signal):
    """Linear light of a display with white 1 and black 0."""
    return science.models.eotf_BT1886(signal.astype(np.float64), L_B=0, L_W=1)


@pytest.mark.parametrize("stops", [0.0, -2.0, 3.0])
def test_a_grey_ramp_is_shown_as_its_own_linear_light(tmp_path, stops):
    ramp = np.geomspace(1e-4, 2.0 ** -max(stops, 0), 400)[:, None] * np.ones(3)
    steps = look.transform(EYE, PLAIN | {"exposure": stops})
    # in a darkened picture the last of the sensor's range bends to white, so that clipped lamps stay white
    below = ramp[:, 0] < (0.8 if stops < 0 else np.inf)
    shown = displayed(through_clf(tmp_path, steps, ramp))
    np.testing.assert_allclose(shown[below], (ramp * 2**stops)[below], rtol=1e-3)


def test_the_tone_curve_is_what_the_display_shows(tmp_path):
    settings = PLAIN | {"contrast": 1.3, "toe": 0.4, "shoulder": 0.6, "exposure": 2.0}
    ramp = np.geomspace(1e-4, 1, 400)[:, None] * np.ones(3)
    shown = displayed(through_clf(tmp_path, look.transform(EYE, settings), ramp))
    np.testing.assert_allclose(shown, look.tone(4 * ramp, 1.3, 0.4, 0.6, peak=4.0), rtol=1e-3, atol=1e-6)


def test_mid_grey_signal(tmp_path):
    """18 % of light is a signal of 0.18 ^ (1 / 2.4) for this display."""
    signal = through_clf(tmp_path, look.transform(EYE, PLAIN), [[0.18] * 3])
    np.testing.assert_allclose(signal, science.models.eotf_inverse_BT1886(0.18, L_B=0, L_W=1), rtol=1e-4)
