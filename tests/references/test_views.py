"""Views of OpenColorIO's own configs and of a file, on the frames of the clip and in the CLF file for other programs,
against the library's DisplayViewTransform on random colours.

The clip is OpenColorIO's to single precision. CLF has no words for some steps of the ACES views; there a cube stands in
for them, and this is its bound, in codes of 8 bits: of random colours within the frames' range, half are off by less
than 0.15, nine in ten by less than 0.4, all but one in a hundred by less than 1.6, and none by more than 8 (at the
kinks where a view cuts colours that the display cannot show); greys by less than 0.6.
"""

import numpy as np
import PyOpenColorIO as ocio
import pytest

from files.look import display_view
from files.tables import encoder, tabulated
from kerbwalk import colour, look, signal

CONFIG = "ocio://studio-config-v2.2.0_aces-v1.3_ocio-v2.4"
NEWER = "ocio://studio-config-v4.0.0_aces-v2.0_ocio-v2.5"
DISPLAY = "Rec.1886 Rec.709 - Display"
VIEWS = {
    "ACES 1": (CONFIG, "ACES 1.0 - SDR Video"),
    "ACES 2": (NEWER, "ACES 2.0 - SDR 100 nits (Rec.709)"),
    "plain": (CONFIG, "Un-tone-mapped"),
    "a file": (None, "Un-tone-mapped"),
}
SETTINGS = {"exposure": 0.5, "contrast": 1.0, "toe": 0.0, "shoulder": 0.0, "saturation": 1.0, "pivot": 0.18}


@pytest.fixture(scope="module", params=VIEWS)
def shown(request, tmp_path_factory):
    """(the paths of a look's CTF and CLF, a function from frame colours (n, 3) to the signal by OpenColorIO)."""
    folder, (name, view) = tmp_path_factory.mktemp("looks"), VIEWS[request.param]
    if name is None:
        name = str(folder / "own.ocio")
        (folder / "own.ocio").write_text(ocio.Config.CreateFromFile(CONFIG).serialize(), encoding="utf-8")
    cdl = look.cdl_transform((1.1, 1, 0.9), saturation=1.1) if request.param == "plain" else None
    steps = look.through_view(colour.BT709_TO_WORKING, SETTINGS, cdl, display_view(name, DISPLAY, view))
    paths = [folder / "look.ctf", folder / "look.clf"]
    for path, (language, said) in zip(paths, ((look.CTF, steps), (look.CLF, look.in_clf(steps, 2.0))), strict=True):
        path.write_text(look.text(said, language), encoding="utf-8")
    config = ocio.Config.CreateFromFile(name)
    by_view = config.getProcessor(ocio.DisplayViewTransform("Linear Rec.2020", DISPLAY, view))

    def exact(rgb):
        scene = look.applied(look.grade(colour.BT709_TO_WORKING, SETTINGS, cdl), rgb)
        by_view.getDefaultCPUProcessor().applyRGB(scene)
        return np.clip(scene, 0, 1)

    return *paths, exact


@pytest.fixture(scope="module")
def colours():
    rng = np.random.default_rng(5)
    return (10 ** rng.uniform(-3, 0.3, (100_000, 1)) * rng.uniform(0.15, 1, (100_000, 3))).astype(np.float32)


def read(path, rgb):
    return look.applied(ocio.FileTransform(str(path)), rgb)


def test_the_clip_is_opencolorio_s(shown, colours, no_look):
    path, _, exact = shown
    ours, theirs = (np.empty((3, 1, len(colours)), np.uint16) for _ in range(2))
    encoder(path)(colours[None].copy(), ours)
    signal.encode(exact(colours)[None], no_look, theirs)
    apart = np.abs(ours.astype(int) - theirs)
    assert apart.max() <= 1
    assert (apart > 0).mean() < 0.006
    np.testing.assert_allclose(read(path, colours), exact(colours), atol=0.1 / 255)


def test_what_tables_can_say_they_say(shown):
    path, _, _ = shown
    assert (tabulated(path) is None) == ("FixedFunction" in path.read_text())


def test_the_clf_for_other_programs(shown, colours):
    path, clf, exact = shown
    apart = np.abs(read(clf, colours) - exact(colours)).max(axis=1)
    if tabulated(path) is not None:
        assert apart.max() < 0.1 / 255
    for part, codes in ((0.5, 0.15), (0.9, 0.4), (0.99, 1.6), (1, 8)):
        assert np.quantile(apart, part) < codes / 255


def test_greys_in_the_clf(shown):
    _, clf, exact = shown
    ramp = np.geomspace(1e-4, 2, 500)[:, None].astype(np.float32) * np.ones(3, np.float32)
    np.testing.assert_allclose(read(clf, ramp), exact(ramp), atol=0.6 / 255)
