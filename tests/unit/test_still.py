"""Stills as files: what goes out comes in again, in every kind, and what cannot be used gets a sentence."""

import struct

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from files import still
from files.stage import StageError


@pytest.fixture
def signal():
    return np.random.default_rng(3).uniform(0, 1, (20, 30, 3)).astype(np.float32)


def test_the_reference_comes_back_as_the_same_signal(tmp_path, signal):
    still.write_reference(tmp_path / "reference.tif", signal)
    with tifffile.TiffFile(tmp_path / "reference.tif") as tiff:
        assert tiff.pages[0].asarray().dtype == np.uint16
        assert tiff.pages[0].tags.valueof(34675), "it has a profile"
    # by its profile, whose numbers are rounded to 16 bits
    np.testing.assert_allclose(still.read(tmp_path / "reference.tif"), signal, atol=0.01)
    lit = signal > 0.1
    np.testing.assert_allclose(still.read(tmp_path / "reference.tif")[lit], signal[lit], atol=1e-3)


@pytest.mark.parametrize(("name", "depth"), [("a.png", 255), ("a.png", 65535), ("a.tif", 255), ("a.tif", 65535)])
def test_without_profile_it_is_srgb(tmp_path, signal, name, depth):
    light = signal.astype(float) ** 2.4
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    pixels = np.rint(encoded * depth).astype(np.uint8 if depth == 255 else np.uint16)
    cv2.imwrite(str(tmp_path / name), pixels[..., ::-1])
    np.testing.assert_allclose(still.read(tmp_path / name)[signal > 0.1], signal[signal > 0.1], atol=1.5 / depth + 2e-3)


def test_an_opaque_alpha_channel_and_grey_are_taken(tmp_path, signal):
    pixels = np.dstack([np.rint(signal * 255), np.full(signal.shape[:2], 255)]).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "alpha.png"), pixels)
    cv2.imwrite(str(tmp_path / "grey.png"), pixels[..., 0])
    assert still.read(tmp_path / "alpha.png").shape == still.read(tmp_path / "grey.png").shape == signal.shape


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("cmyk.jpg", "in CMYK"),
        ("clear.png", "transparent"),
        ("letter.tif", "cannot be read"),
        ("cut short.jpg", "cannot be read"),
        ("cut short.tif", "cannot be read"),
        ("directory cut off.tif", "cannot be read"),
    ],
)
def test_what_cannot_be_used_gets_a_sentence(tmp_path, name, words):
    path = tmp_path / name
    if name == "cmyk.jpg":
        Image.new("CMYK", (30, 20)).save(path)
    elif name == "clear.png":
        cv2.imwrite(str(path), np.full((20, 30, 4), 100, np.uint8))
    elif name == "cut short.jpg":
        cv2.imwrite(str(path), np.random.default_rng(1).integers(0, 255, (200, 300, 3), np.uint8))
        path.write_bytes(path.read_bytes()[:20000])
    elif name == "cut short.tif":
        tifffile.imwrite(path, np.zeros((20, 30, 3), np.uint16), photometric="rgb")
        path.write_bytes(path.read_bytes()[:2000])
    elif name == "directory cut off.tif":
        # As some programs write it: the directory, to which the eight bytes of the header point, behind the pixels.
        path.write_bytes(struct.pack("<2sHI", b"II", 42, 4000) + bytes(2000))
    else:
        path.write_text("a letter")
    with pytest.raises(StageError, match=words) as caught:
        still.read(path)
    assert name in str(caught.value)
