"""How Kerbwalk itself applies a look (tables of matrices and polygons), against OpenColorIO on the same CLF file."""

import numba
import numpy as np
import PyOpenColorIO as ocio
import pytest

from files.stage import StageError
from files.tables import tabulated
from kerbwalk import look, signal

SETTINGS = {"exposure": 0.0, "contrast": 1.0, "toe": 0.0, "shoulder": 0.0, "saturation": 1.0, "pivot": 0.18}
CAMERA = [[1.5, -0.4, -0.1], [-0.2, 1.5, -0.3], [0.05, -0.6, 1.55]]
CDL = ((1.1, 0.95, 1.0), (0.02, 0.0, -0.01), (1.0, 1.1, 0.9), 1.3)
LOOKS = {
    "plain": (SETTINGS, None),
    "strong": ({"exposure": 1.5, "contrast": 1.3, "toe": 0.6, "shoulder": 0.8, "saturation": 1.4, "pivot": 0.18}, None),
    "cdl": (SETTINGS | {"shoulder": 0.5}, CDL),
    "cube": (SETTINGS | {"shoulder": 0.5}, None),
}


@pytest.fixture(params=LOOKS)
def clf(request, tmp_path):
    settings, cdl = LOOKS[request.param]
    steps = look.transform(CAMERA, settings, cdl and look.cdl_transform(*cdl))
    if request.param == "cube":
        steps.appendTransform(look.cube(random_cube()))
    return written(tmp_path, look.clf_text(steps, "test"))


def written(folder, text):
    path = folder / "look.clf"
    path.write_text(text, encoding="utf-8")
    return path


def by_opencolorio(path, rgb):
    result = rgb.copy()
    processor = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(str(path)))
    processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS).applyRGB(result)
    return result


def stepped(matrix, polygons, rgb):
    channels = [channel.copy() for channel in rgb.T]
    signal.mix(matrix, *channels)
    for polygon, channel in zip(polygons, channels, strict=True):
        signal.follow(polygon.reshape(-1), channel)
    return np.stack(channels, axis=-1)


@numba.njit
def cubed(cube, rgb):
    out = np.empty_like(rgb)
    for k in range(len(rgb)):
        out[k, 0], out[k, 1], out[k, 2] = signal.in_cube(cube.reshape(-1), len(cube), rgb[k, 0], rgb[k, 1], rgb[k, 2])
    return out


def random_cube():
    """A strong look: each colour moved by up to a third, at random."""
    lattice = np.stack(np.meshgrid(*[np.linspace(0, 1, 9)] * 3, indexing="ij"), axis=-1)
    return np.clip(lattice + np.random.default_rng(3).uniform(-0.3, 0.3, lattice.shape), 0, 1)


def by_tables(path, rgb):
    matrices, curves, cube = tabulated(path)
    for matrix, polygons in zip(matrices, curves, strict=True):
        rgb = stepped(matrix, polygons, rgb)
    return cubed(cube, rgb) if len(cube) else rgb


@pytest.fixture
def colours():
    """10^5 random colours, dark ones as likely as bright ones, and some outside of 0..1."""
    rng = np.random.default_rng(12)
    dark = 10 ** rng.uniform(-5, 0.3, (60_000, 3))
    return np.vstack([dark, rng.uniform(-0.1, 1.2, (40_000, 3))]).astype(np.float32)


def test_colours_are_opencolorio_s(clf, colours):
    """The tables' bound: within 1/65535 of the signal (a 64th of the master's code of 10 bits), and 10^-5 of the light.
    After a CDL, whose logarithm is undone by an exponential, so for all but one value in a thousand: where a channel
    is what bright ones nearly cancel out to, or the curve is steep, within 1/10230, a tenth of a code.
    """
    ours, theirs = (apply(clf, colours).astype(float) for apply in (by_tables, by_opencolorio))
    apart = np.abs(ours - theirs)
    if len(tabulated(clf)[0]) > 2:
        assert np.quantile(apart, 0.999) < 1 / 65535
        assert apart.max() < 1 / 10230
    else:
        assert apart.max() < 1 / 65535
        assert np.abs(ours**2.4 - theirs**2.4).max() < 1e-5


def test_codes_are_those_of_opencolorio_s_signal(clf, colours, no_look):
    ours, theirs = (np.empty((3, 1, len(colours)), np.uint16) for _ in range(2))
    signal.encode(colours[None], tabulated(clf), ours)
    signal.encode(by_opencolorio(clf, colours)[None], no_look, theirs)
    apart = np.abs(ours.astype(int) - theirs)
    assert (apart > 0).mean() < 0.003
    assert (apart > 1).mean() < 1e-4


def test_a_clamping_cdl_keeps_its_clamps(tmp_path, colours):
    group = ocio.GroupTransform()
    cdl = look.cdl_transform(*CDL)
    cdl.setStyle(ocio.CDL_ASC)
    group.appendTransform(cdl)
    path = written(tmp_path, look.clf_text(group, "test"))
    np.testing.assert_allclose(by_tables(path, colours), by_opencolorio(path, colours), atol=1e-6)


def test_clamps_anywhere_keep_their_place(tmp_path, colours):
    group = ocio.GroupTransform()
    group.appendTransform(ocio.LogAffineTransform(logSideSlope=[0.2] * 3, logSideOffset=[0.7] * 3))
    group.appendTransform(ocio.RangeTransform(0.13, 0.87, 0.07, 1.1))
    path = written(tmp_path, look.clf_text(group, "test"))
    np.testing.assert_allclose(by_tables(path, colours), by_opencolorio(path, colours), atol=2e-6)


def test_a_cube_alone_is_opencolorio_s_to_the_last_bits(tmp_path, colours):
    group = ocio.GroupTransform()
    group.appendTransform(look.cube(random_cube()))
    path = written(tmp_path, look.clf_text(group, "test"))
    np.testing.assert_allclose(by_tables(path, colours), by_opencolorio(path, colours), atol=1e-6)


def test_a_step_after_the_cube_is_refused(tmp_path):
    group = ocio.GroupTransform()
    group.appendTransform(look.cube(random_cube()))
    group.appendTransform(ocio.ExponentTransform([2, 2, 2, 1]))
    with pytest.raises(StageError, match=r"look\.clf: cannot be applied, as a .* comes after its cube"):
        tabulated(written(tmp_path, look.clf_text(group, "test")))
