"""EXIF (CIPA DC-008) as four readers see it: Exiv2, which Kerbwalk uses, ExifRead, Pillow and tifffile; and APEX."""

import exifread
import numpy as np
import pytest
import tifffile
from PIL import Image

from demo import dng
from files import photo
from kerbwalk import exposure

EXIF = [
    (33434, dng.RATIONAL, [1 / 3]),
    (33437, dng.RATIONAL, [6.3]),
    (34855, dng.SHORT, [640]),
    (36867, dng.ASCII, "2031:03:14 23:59:58"),
    (37386, dng.RATIONAL, [24.5]),
    (36881, dng.ASCII, "-03:30"),
    (37521, dng.ASCII, "05"),
    (41987, dng.SHORT, [1]),
    (41989, dng.SHORT, [37]),
    (42036, dng.ASCII, "Maker 24.5 mm"),
]


@pytest.fixture
def picture(tmp_path):
    path = tmp_path / "one.dng"
    dng.write(
        path, np.full((64, 96), 900, np.uint16), black=0, white=16383, xyz_to_camera=np.eye(3), neutral=np.ones(3),
        orientation=6, camera=("Maker", "Model 2"), exif=EXIF, when="2031:03:14 23:59:59",
    )  # fmt: skip
    return path


def by_pillow(path):
    exif = Image.Exif()
    exif.load(path.read_bytes())
    inner = exif.get_ifd(0x8769)
    return {
        "shutter": float(inner[33434]), "aperture": float(inner[33437]), "iso": inner[34855], "time": inner[36867],
        "focal": float(inner[37386]), "subsecond": inner[37521], "focal35": inner[41989], "lens": inner[42036],
        "model": exif[272],
    }  # fmt: skip


def by_tifffile(path):
    with tifffile.TiffFile(path) as tiff:
        tags = tiff.pages[0].tags
        inner, model = tags["ExifTag"].value, tags["Model"].value
    fraction = {key: inner[key][0] / inner[key][1] for key in ("ExposureTime", "FNumber", "FocalLength")}
    return {
        "shutter": fraction["ExposureTime"], "aperture": fraction["FNumber"], "iso": inner["ISOSpeedRatings"],
        "time": inner["DateTimeOriginal"], "focal": fraction["FocalLength"], "subsecond": inner["SubsecTimeOriginal"],
        "focal35": inner["FocalLengthIn35mmFilm"], "lens": inner["LensModel"], "model": model,
    }  # fmt: skip


def by_exifread(path):
    with open(path, "rb") as file:
        tags = exifread.process_file(file, details=False)
    number = {key: float(tags[f"EXIF {key}"].values[0]) for key in ("ExposureTime", "FNumber", "FocalLength")}
    return {
        "shutter": number["ExposureTime"], "aperture": number["FNumber"], "iso": tags["EXIF ISOSpeedRatings"].values[0],
        "time": str(tags["EXIF DateTimeOriginal"]), "focal": number["FocalLength"],
        "subsecond": str(tags["EXIF SubSecTimeOriginal"]), "focal35": tags["EXIF FocalLengthIn35mmFilm"].values[0],
        "lens": str(tags["EXIF LensModel"]), "model": str(tags["Image Model"]),
    }  # fmt: skip


@pytest.mark.parametrize("reader", [by_exifread, by_pillow, by_tifffile])
def test_another_reader_says_the_same(picture, reader):
    ours, theirs = photo.read_photo(picture)[0], reader(picture)
    for key in ("shutter", "aperture", "iso", "focal", "focal35"):
        assert ours[key] == pytest.approx(theirs[key], rel=1e-5)
    assert ours["time"] == theirs["time"].replace(":", "-", 2).replace(" ", "T")
    assert ours["subsecond"] == float(f"0.{theirs['subsecond']}")
    assert ours["lens"] == theirs["lens"]
    assert ours["camera"].endswith(theirs["model"])
    assert (ours["offset"], ours["white_balance"], ours["orientation"]) == (-210, "manual", 6)
    # sideways on the sensor, upright in the record
    assert (ours["width"], ours["height"]) == (64, 96)


def test_apex():
    """Exposure by APEX as in CIPA DC-008, annex C (from memory): Tv = -log2 t, Av = 2 log2 N, Sv = log2 (S / 3.125);
    a step of one in Tv or Av halves the light, one in Sv doubles the level.
    """
    times, numbers, speeds = np.meshgrid([1 / 60, 1 / 4, 1, 8, 30], [1.4, 2.8, 5.6, 16], [100, 160, 800, 6400])
    apex = np.log2(speeds / 3.125) - (-np.log2(times)) - 2 * np.log2(numbers)
    ours = exposure.known_stops(times, numbers, speeds)
    np.testing.assert_allclose(ours - ours[0, 0, 0], apex - apex[0, 0, 0], atol=1e-12)
