"""How Kerbwalk itself applies a look (tables of matrices and polygons), against OpenColorIO on the same CLF file."""

import numba
import numpy as np
import PyOpenColorIO as ocio
import pytest

from files.tables import encoder, tabulated
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
    return written(tmp_path, look.text(steps, look.CLF))


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
        signal.follow(polygon, channel)
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
    matrices, curves, places, cube = tabulated(path)
    for matrix, ends in zip(matrices, places, strict=True):
        rgb = stepped(matrix, [curves[start:end] for start, end in ends], rgb)
    return cubed(cube, rgb) if len(cube) else rgb


@pytest.fixture
def colours():
    """10^5 random colours, dark ones as likely as bright ones, and some outside of 0..1."""
    rng = np.random.default_rng(12)
    dark = 10 ** rng.uniform(-5, 0.3, (60_000, 3))
    return np.vstack([dark, rng.uniform(-0.1, 1.2, (40_000, 3))]).astype(np.float32)


def test_colours_are_opencolorio_s(clf, colours):
    """The tables' bound: within 1/65535 of the signal (a 64th of the master's code of 10 bits), and 10^-5 of the light.
    After a CDL in its log encoding so for all but one value in 10,000, and those within a tenth of a 10-bit code: there
    single precision, OpenColorIO's own too, is no nearer to exact arithmetic.
    """
    ours, theirs = (apply(clf, colours).astype(float) for apply in (by_tables, by_opencolorio))
    apart, light = np.abs(ours - theirs), np.abs(ours**2.4 - theirs**2.4)
    if len(tabulated(clf)[0]) > 2:
        assert np.quantile(apart, 0.9999) < 1 / 65535
        assert apart.max() < 1 / 10230
    else:
        assert apart.max() < 1 / 65535
        assert light.max() < 1e-5


def test_a_cdl_s_look_is_as_near_to_exact_arithmetic_as_opencolorio_s(tmp_path, colours):
    """The steps of the file by their published formulas in double precision: ASC CDL 1.2, ACEScct's constants."""
    settings, cdl = LOOKS["cdl"]
    path = written(tmp_path, look.text(look.transform(CAMERA, settings, look.cdl_transform(*cdl)), look.CLF))
    steps = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(str(path))).createGroupTransform()
    first, _, _, _, curve, last, *_ = steps
    first, last = (np.reshape(m.getMatrix(), (4, 4))[:3, :3] for m in (first, last))
    x = colours.astype(float) @ first.T
    linear = x <= 0.0078125
    slope = 1 / (17.52 * 0.0078125 * np.log(2))
    at_break = (-7 + 9.72) / 17.52
    x = np.where(linear, at_break + slope * (x - 0.0078125), (np.log2(np.maximum(x, 1e-30)) + 9.72) / 17.52)
    x = x * cdl[0] + cdl[1]
    x = np.where(x > 0, np.maximum(x, 1e-30) ** cdl[2], x)
    luma = (x @ [0.2126, 0.7152, 0.0722])[:, None]
    x = luma + cdl[3] * (x - luma)
    x = np.where(x <= at_break, 0.0078125 + (x - at_break) / slope, 2 ** (x * 17.52 - 9.72))
    halves = np.arange(31744, dtype=np.uint16).view(np.float16).astype(float)
    x = np.interp(x, halves, np.array(curve.getData()).reshape(-1, 3)[:31744, 0].astype(float))
    exact = np.clip(x @ last.T, 0, 1) ** (1 / 2.4)
    ours, theirs = ((np.abs(apply(path, colours) - exact) > 1 / 65535).sum() for apply in (by_tables, by_opencolorio))
    assert theirs > 0
    assert ours < 3 * theirs


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
    path = written(tmp_path, look.text(group, look.CLF))
    np.testing.assert_allclose(by_tables(path, colours), by_opencolorio(path, colours), atol=1e-6)


def test_clamps_anywhere_keep_their_place(tmp_path, colours):
    group = ocio.GroupTransform()
    group.appendTransform(ocio.LogAffineTransform(logSideSlope=[0.2] * 3, logSideOffset=[0.7] * 3))
    group.appendTransform(ocio.RangeTransform(0.13, 0.87, 0.07, 1.1))
    path = written(tmp_path, look.text(group, look.CLF))
    np.testing.assert_allclose(by_tables(path, colours), by_opencolorio(path, colours), atol=2e-6)


def test_a_cube_alone_is_opencolorio_s_to_the_last_bits(tmp_path, colours):
    group = ocio.GroupTransform()
    group.appendTransform(look.cube(random_cube()))
    path = written(tmp_path, look.text(group, look.CLF))
    np.testing.assert_allclose(by_tables(path, colours), by_opencolorio(path, colours), atol=1e-6)


def test_what_tables_cannot_say_is_applied_by_opencolorio(tmp_path, colours, no_look):
    """As a step after the cube; and what leaves 0..1 is cut, as a signal of 10 bits cannot hold it."""
    group = ocio.GroupTransform([look.cube(random_cube()), ocio.MatrixTransform(np.diag([2, -1, 3, 1.0]).ravel())])
    path = written(tmp_path, look.text(group, look.CLF))
    assert tabulated(path) is None
    ours, theirs = (np.empty((3, 1, len(colours)), np.uint16) for _ in range(2))
    encoder(path)(colours[None].copy(), ours)
    signal.encode(np.clip(by_opencolorio(path, colours), 0, 1)[None], no_look, theirs)
    np.testing.assert_array_equal(ours, theirs)
