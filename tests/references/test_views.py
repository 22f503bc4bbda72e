"""Views of OpenColorIO's own configs, baked into a cube, against the view itself on random colours.

The bound that kerbwalk.look.through_view speaks of, in codes of 8 bits: of random colours within the frames' range,
half are off by less than 0.1, nine in ten by less than 0.4, all but one in a hundred by less than 3, and none by more
than 12 (at the kinks where a view cuts colours that the display cannot show); greys by less than 2.
"""

import numpy as np
import pytest

from files.look import display_view
from kerbwalk import colour, look

CONFIG = "ocio://studio-config-v2.2.0_aces-v1.3_ocio-v2.4"
DISPLAY = "Rec.1886 Rec.709 - Display"
SETTINGS = {"exposure": 0.5, "contrast": 1.0, "toe": 0.0, "shoulder": 0.0, "saturation": 1.0, "pivot": 0.18}


@pytest.fixture(scope="module", params=["ACES 1.0 - SDR Video", "Un-tone-mapped"])
def applied(request):
    """Two functions on frame colours (n, 3): baked, exact."""
    view = display_view(CONFIG, DISPLAY, request.param)
    baked = look.through_view(colour.BT709_TO_WORKING, SETTINGS, None, 2.0, view)

    def exact(rgb):
        scene = look.applied(look.grade(colour.BT709_TO_WORKING, SETTINGS), rgb)
        view.getDefaultCPUProcessor().applyRGB(scene)
        return np.clip(scene, 0, 1)

    return lambda rgb: look.applied(baked, rgb), exact


def test_random_colours(applied):
    rng = np.random.default_rng(5)
    rgb = (10 ** rng.uniform(-3, 0.3, (100_000, 1)) * rng.uniform(0.15, 1, (100_000, 3))).astype(np.float32)
    baked, exact = (apply(rgb) for apply in applied)
    apart = np.abs(baked - exact).max(axis=1)
    for part, codes in ((0.5, 0.1), (0.9, 0.4), (0.99, 3), (1, 12)):
        assert np.quantile(apart, part) < codes / 255


def test_greys(applied):
    ramp = np.geomspace(1e-4, 2, 500)[:, None].astype(np.float32) * np.ones(3, np.float32)
    baked, exact = (apply(ramp) for apply in applied)
    np.testing.assert_allclose(baked, exact, atol=2 / 255)
