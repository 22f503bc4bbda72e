"""How Kerbwalk itself applies a look (files.tables, kerbwalk.signal), against OpenColorIO on the same CLF file."""

import numpy as np
import PyOpenColorIO as ocio
import pytest

from files.look import read_lut
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


def random_cube():
    """A strong look: each colour moved by up to a third, at random."""
    lattice = np.stack(np.meshgrid(*[np.linspace(0, 1, 9)] * 3, indexing="ij"), axis=-1)
    return np.clip(lattice + np.random.default_rng(3).uniform(-0.3, 0.3, lattice.shape), 0, 1)


def by_tables(path, rgb):
    kinds, numbers, places, tables, cube = tabulated(path)
    channels = [channel.copy() for channel in rgb.T]
    for step in zip(kinds, numbers, places, strict=True):
        signal.apply(*step, tables, *channels)
    if len(cube):
        signal.in_cube(cube, *channels, np.empty((3, len(rgb)), np.int32), np.empty((4, len(rgb)), np.float32))
    return np.stack(channels, axis=-1)


@pytest.fixture
def colours():
    """10^5 random colours, dark ones as likely as bright ones, and some outside of 0..1."""
    rng = np.random.default_rng(12)
    dark = 10 ** rng.uniform(-5, 0.3, (60_000, 3))
    return np.vstack([dark, rng.uniform(-0.1, 1.2, (40_000, 3))]).astype(np.float32)


def test_colours_are_opencolorio_s(clf, colours):
    """Within 1/65535 of the signal (a 64th of the master's code of 10 bits), and 10^-5 of the light."""
    apart, light = differences(clf, colours)
    assert apart.max() < 1 / 65535
    assert light.max() < 1e-5


def differences(path, colours):
    ours, theirs = (apply(path, colours).astype(float) for apply in (by_tables, by_opencolorio))
    return np.abs(ours - theirs), np.abs(ours**2.4 - theirs**2.4)


def test_any_cdl_keeps_the_bound(tmp_path, colours):
    """Twenty grades, strong ones too, under curves as they come: within 1/65535 of the signal, but for one colour in a
    million at most, and those within four times that: a few logarithms' last bits differ, and a tone curve and a matrix
    in which bright channels nearly cancel can make much of that. This is no bound for all grades: where one leaves a
    channel of what is full far below the others, the tone curve is nearly a step. Of 23 million other colours
    under 235 looks three were more than 1/65535 off, one of them 14/65535, for a last bit of 3e-8 before that step.
    """
    rng, beyond, worst = np.random.default_rng(11), 0, 0
    colours = np.vstack([colours[::2], rng.uniform(-1, 8, (20_000, 3)), 10 ** rng.uniform(-7, -2, (30_000, 3))])
    for k in range(20):
        curve = {"contrast": rng.uniform(0.6, 1.8), "toe": rng.uniform(0, 1), "shoulder": k % 3 / 2}
        curve |= {"exposure": rng.uniform(-2, 2), "saturation": rng.uniform(0.4, 1.8), "pivot": 0.18}
        cdl = rng.uniform(0.5, 1.8, 3), rng.uniform(-0.15, 0.15, 3), rng.uniform(0.5, 2.2, 3), rng.uniform(0, 2.5)
        path = tmp_path / f"{k}.clf"
        path.write_text(look.text(look.transform(CAMERA, curve, look.cdl_transform(*cdl)), look.CLF), encoding="utf-8")
        apart, light = differences(path, colours.astype(np.float32))
        beyond += int(((apart > 1 / 65535) | (light > 1e-5)).any(axis=-1).sum())
        worst = max(worst, apart.max())
    assert beyond <= 2
    assert worst < 4 / 65535


def test_codes_are_those_of_opencolorio_s_signal(clf, colours, no_look):
    ours, theirs = (np.empty((3, 1, len(colours)), np.uint16) for _ in range(2))
    signal.encode(colours[None], tabulated(clf), ours)
    signal.encode(by_opencolorio(clf, colours)[None], no_look, theirs)
    apart = np.abs(ours.astype(int) - theirs)
    assert (apart > 0).mean() < 0.003
    assert (apart > 1).mean() < 1e-4


UNCLAMPED = ocio.RangeTransform(0.13, 0.87, 0.07, 1.1)
UNCLAMPED.setStyle(ocio.RANGE_NO_CLAMP)
FORWARD, INVERSE = ocio.TRANSFORM_DIR_FORWARD, ocio.TRANSFORM_DIR_INVERSE
STEPS = {
    "a clamping CDL": [ocio.CDLTransform([1.1, 0.9, 1], [0.02, 0, -0.01], [1, 1.1, 0.9], 1.3)],
    "clamps anywhere": [
        ocio.LogAffineTransform(logSideSlope=[0.2] * 3, logSideOffset=[0.7] * 3),
        ocio.RangeTransform(0.13, 0.87, 0.07, 1.1),
    ],
    "half a clamp": [ocio.RangeTransform(minInValue=0.1, minOutValue=0.1)],
    "base ten": [ocio.LogTransform(10.0)],
    "a camera's logarithm": [
        ocio.LogCameraTransform([0.01, 0.02, 0.03], 10.0, [0.24] * 3, [0.39, 0.4, 0.38], [5.5] * 3, [0.05] * 3)
    ],
    "one with a slope of its own": [ocio.LogCameraTransform([0.01] * 3, linearSlope=[5.0] * 3)],
    "no clamp at all": [UNCLAMPED],
    "a matrix that adds": [ocio.MatrixTransform(np.diag([2, 0.5, 3, 1.0]).ravel(), [0.1, 0.2, -0.3, 0])],
    "a monitor's curve": [ocio.ExponentWithLinearTransform(gamma=[2.4, 2.2, 2.0, 1], offset=[0.055] * 3 + [0])],
}


@pytest.mark.parametrize("name", STEPS)
@pytest.mark.parametrize("direction", [FORWARD, INVERSE])
def test_steps_of_many_kinds(tmp_path, colours, name, direction):
    steps = [ocio.GroupTransform([step], direction) for step in STEPS[name]]
    path = tmp_path / "steps.ctf"
    group = ocio.GroupTransform(steps if direction == FORWARD else steps[::-1])
    path.write_text(group.write(look.CTF, ocio.Config.CreateRaw()), encoding="utf-8")
    ours, theirs = by_tables(path, colours), by_opencolorio(path, colours)
    np.testing.assert_allclose(ours, theirs, rtol=3e-6, atol=2e-6)


def test_a_cube_says_how_it_is_interpolated(tmp_path, colours):
    """One that is meant in cubes, as CLF's default is, goes to OpenColorIO; a .cube, which cannot say, is cut into
    tetrahedra.
    """
    meant = look.cube(random_cube())
    meant.setInterpolation(ocio.INTERP_LINEAR)
    path = written(tmp_path, look.text(ocio.GroupTransform([meant]), look.CLF))
    assert tabulated(path) is None
    rows = "\n".join(" ".join(map(str, row)) for row in np.swapaxes(random_cube(), 0, 2).reshape(-1, 3))
    (tmp_path / "mine.cube").write_text(f"LUT_3D_SIZE 9\n{rows}\n", encoding="utf-8")
    path = tmp_path / "said.clf"
    path.write_text(look.text(read_lut(tmp_path / "mine.cube"), look.CLF), encoding="utf-8")
    np.testing.assert_allclose(by_tables(path, colours), by_opencolorio(path, colours), atol=1e-6)


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
