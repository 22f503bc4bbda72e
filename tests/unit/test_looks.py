"""Looks as files: CDLs, cubes and views that are read, and the sentences on those that cannot be."""

import numpy as np
import PyOpenColorIO as ocio
import pytest

from files.look import display_view, read_cdl, read_lut
from files.stage import StageError
from kerbwalk import look

ONE = '<ColorCorrection id="{}"><SOPNode><Slope>1.1 1 0.9</Slope><Offset>0 0.01 0</Offset><Power>{} 1 1</Power></SOPNode><SatNode><Saturation>0.9</Saturation></SatNode></ColorCorrection>'  # noqa: E501
COLLECTION = '<ColorCorrectionCollection xmlns="urn:ASC:CDL:v1.2">{}</ColorCorrectionCollection>'
DECISIONS = '<ColorDecisionList xmlns="urn:ASC:CDL:v1.2"><ColorDecision>{}</ColorDecision></ColorDecisionList>'


def written(folder, name, text):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("name", "frame"), [("a.cc", "{}"), ("$HOME %d.ccc", COLLECTION), ("a.cdl", DECISIONS)], ids=["cc", "ccc", "cdl"]
)
def test_a_cdl_is_read_from_each_kind_of_file(tmp_path, name, frame):
    cdl = read_cdl(written(tmp_path, name, frame.format(ONE.format("x", "1.2"))))
    assert (cdl.getSlope(), cdl.getOffset(), cdl.getPower()) == ([1.1, 1, 0.9], [0, 0.01, 0], [1.2, 1, 1])
    assert cdl.getSat() == 0.9


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.cc", ONE.format("x", "-1"), "'power' -1 should be greater than 0"),
        ("a.cc", "a letter", "no ASC CDL that can be read"),
        ("a.cc", ONE.format("x", "1").replace("0.01", "nan"), "a.cc: holds values that are no numbers; save the grade"),
        ("a.ccc", COLLECTION.format(ONE.format("x", "1") + ONE.format("y", "1")), "holds 2 grades"),
    ],
)
def test_a_bad_cdl_gets_a_sentence(tmp_path, name, text, words):
    with pytest.raises(StageError, match=words):
        read_cdl(written(tmp_path, name, text))


def test_a_cdl_written_is_read_back_to_the_same_numbers(tmp_path):
    cdl = look.cdl_transform((1.123456, 1, 0.9), (0.01, -0.02, 0), (1.1, 0.95, 1), 1.2)
    again = read_cdl(written(tmp_path, "look.cc", look.cc_text(cdl)))
    np.testing.assert_allclose(again.getSOP(), cdl.getSOP(), atol=1e-6)
    assert again.getSat() == pytest.approx(1.2)


CUBE = "LUT_3D_SIZE 2\n" + "".join(f"{r} {g} {b}\n" for b in (0, 1) for g in (0, 1) for r in (0, 1))


def test_a_cube_is_read(tmp_path):
    group = read_lut(written(tmp_path, "same.cube", CUBE))
    pixels = np.random.default_rng(1).uniform(0, 1, (100, 3)).astype(np.float32)
    np.testing.assert_allclose(look.applied(group, pixels), pixels, atol=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (CUBE.replace("1 1 1", "nan 1 1"), "no numbers"),
        (CUBE.rpartition("1 1 1")[0], r"bad.cube: cannot be read as a look \(Incorrect .* Found 7, expected 8"),
        (CUBE + "1 1 1\n", "Found 9, expected 8"),
        ("a letter", "cannot be read as a look"),
    ],
)
def test_a_bad_cube_gets_a_sentence(tmp_path, text, words):
    with pytest.raises(StageError, match=words) as caught:
        read_lut(written(tmp_path, "bad.cube", text))
    assert "bad.cube" in str(caught.value) and "\n" not in str(caught.value)


def test_a_clf_with_a_matrix_of_no_numbers_gets_a_sentence(tmp_path):
    matrix = '<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">nan 0 0 0 1 0 0 0 1</Array></Matrix>'
    text = f'<?xml version="1.0"?><ProcessList id="a" compCLFversion="3">{matrix}</ProcessList>'
    with pytest.raises(StageError, match="bad.clf: holds values that are no numbers; export it again"):
        read_lut(written(tmp_path, "bad.clf", text))


CONFIG = "ocio://cg-config-v2.2.0_aces-v1.3_ocio-v2.4"


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("ocio://nothing", "x", "y"), "look.display.config 'ocio://nothing' cannot be read"),
        (("/no such.ocio", "x", "y"), "look.display.config '/no such.ocio' cannot be read .* name a file, or one of"),
        ((CONFIG, "A wall", "y"), "look.display.display 'A wall' is not in .* it has .*Rec.1886 Rec.709 - Display"),
        ((CONFIG, "Rec.1886 Rec.709 - Display", "y"), "look.display.view 'y' is not in .* it has .*Un-tone-mapped"),
    ],
)
def test_a_view_that_is_not_there_gets_a_sentence(names, words):
    with pytest.raises(StageError, match=words):
        display_view(*names)


def test_an_untouched_cdl_changes_nothing():
    group = ocio.GroupTransform()
    group.appendTransform(look.cdl_transform())
    pixels = np.random.default_rng(1).uniform(0, 1, (100, 3)).astype(np.float32)
    np.testing.assert_allclose(look.applied(group, pixels), pixels, atol=1e-6)
