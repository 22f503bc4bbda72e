"""Photos: where the pixels of LibRaw's pictures lie on the sensor, levels, orientation, and TIFFs."""

import gc
import resource
import struct
import sys

import imagecodecs
import numpy as np
import pytest
import tifffile

from demo import dng
from files import photo

SIZE = (96, 64)  # width, height of the sensor


def write_dng(path, mosaic, orientation=1, black=0, white=65535, exif=(), neutral=(1, 1, 1), more=()):
    dng.write(
        path,
        np.asarray(mosaic, np.uint16),
        black=black,
        white=white,
        xyz_to_camera=np.eye(3),
        neutral=np.asarray(neutral, float),
        orientation=orientation,
        camera=("Maker", "Model"),
        exif=exif,
        when="2031:03:14 21:04:10",
        more=more,
    )
    return path


def write_whole(path, values, black, white, orientation=1):
    """A DNG that is no mosaic: values uint16 (h, w, 3) of all colours, or (h, w, 1) of a sensor without filters."""
    count = values.shape[2]
    without = [(tag, dng.SHORT, None) for tag in (33421, 33422, 50710, 50711)]
    if count == 1:
        without += [(tag, dng.SHORT, None) for tag in (50721, 50728, 50778)]
    more = [(256, dng.LONG, [values.shape[1]]), (262, dng.SHORT, [34892]), (277, dng.SHORT, [count])]
    more += [(258, dng.SHORT, [16] * count), (50713, dng.SHORT, [1, 1]), (50714, dng.SHORT, [black] * count)]
    more += [(50717, dng.LONG, [white] * count)]
    return write_dng(path, values.reshape(len(values), -1), orientation, black, white, more=more + without)


def write_compressed(path, values, black, white):
    """A DNG in lossless JPEG, as cameras write it (ITU-T T.81, annex H, from memory). values: a mosaic."""
    height, width = values.shape
    data = imagecodecs.ljpeg_encode(values, bitspersample=int(white).bit_length())
    more = [(256, dng.LONG, [width]), (257, dng.LONG, [height]), (278, dng.LONG, [height]), (259, dng.SHORT, [7])]
    more += [(279, dng.LONG, [len(data)])]
    data = np.frombuffer(data + bytes(len(data) % 2), np.uint16)
    return write_dng(path, data[None], black=black, white=white, more=more)


@pytest.fixture
def ramp(tmp_path):
    """A sensor whose value is 200 times the column plus 30 times the row."""
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    return write_dng(tmp_path / "ramp.dng", 200 * x + 30 * y)


def test_full_size_pixels_lie_where_the_sensor_pixels_are(ramp):
    linear = photo.read_linear(ramp, (1, 1, 1), half=False)
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    inner = np.s_[4:-4, 4:-4]
    for channel in range(3):
        np.testing.assert_allclose(linear[inner][..., channel], (200 * x + 30 * y)[inner], atol=1)


def test_superpixels_lie_in_the_middle_of_their_four(ramp):
    """As a whole: red and blue of a 2x2 sit half a sensor pixel to either side of it, and cancel in the grey."""
    linear = photo.read_linear(ramp, (1, 1, 1), half=True).astype(float)
    assert linear.shape == (SIZE[1] // 2, SIZE[0] // 2, 3)
    y, x = np.mgrid[: SIZE[1] // 2, : SIZE[0] // 2]
    np.testing.assert_allclose(linear @ [0.25, 0.5, 0.25], 200 * (2 * x + 0.5) + 30 * (2 * y + 0.5), atol=1)


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize(("orientation", "turns"), [(1, 0), (3, 2), (6, 3), (8, 1)])
def test_upright(tmp_path, orientation, turns, half):
    mosaic = np.full((SIZE[1], SIZE[0]), 1000)
    mosaic[: SIZE[1] // 2, : SIZE[0] // 2] = 9000  # the sensor's top left quarter is bright
    path = write_dng(tmp_path / "turned.dng", mosaic, orientation)
    linear = photo.read_linear(path, (1, 1, 1), half)
    expected = np.rot90(mosaic, turns)[:: 1 + half, :: 1 + half]
    assert linear.shape[:2] == expected.shape
    # away from the quarter's border, which interpolation blurs
    far = np.s_[4:12, 4:12]
    for part in (far, np.s_[-12:-4, 4:12], np.s_[4:12, -12:-4], np.s_[-12:-4, -12:-4]):
        np.testing.assert_allclose(linear[part][..., 1], expected[part], atol=1)
    record = photo.read_photo(path)[0]
    assert (record["width"], record["height"]) == np.rot90(mosaic, turns).shape[::-1]


def test_black_level_and_white_level_bound_the_range(tmp_path):
    mosaic = np.full((64, 96), 512)
    mosaic[:32] = 16383
    linear = photo.read_linear(write_dng(tmp_path / "levels.dng", mosaic, black=512, white=16383), (1, 1, 1), half=True)
    assert (linear[:14] == 65535).all()
    assert (linear[18:] == 0).all()


def test_brightness_does_not_depend_on_the_content(tmp_path):
    """LibRaw would scale each photo by its own brightest pixel if left to itself."""
    mosaic = np.full((64, 96), 4000)
    plain = photo.read_linear(write_dng(tmp_path / "plain.dng", mosaic, white=16383), (2, 1, 1.5), half=True)
    mosaic[:8, :8] = 16000
    bright = photo.read_linear(write_dng(tmp_path / "bright.dng", mosaic, white=16383), (2, 1, 1.5), half=True)
    assert (plain[8:, 8:] == bright[8:, 8:]).all()


def test_balance_multiplies(tmp_path):
    path = write_dng(tmp_path / "flat.dng", np.full((64, 96), 6000))
    # so that the channel with the greatest multiplier just keeps its range
    red, green, blue = photo.read_linear(path, (2.0, 1.0, 1.5), half=True)[10, 10].astype(float)
    assert red == pytest.approx(6000, abs=1)
    assert green == pytest.approx(3000, abs=1)
    assert blue == pytest.approx(4500, abs=1)


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize(("orientation", "turns"), [(1, 0), (6, 3)])
@pytest.mark.parametrize("colours", [3, 1])
def test_what_is_no_mosaic_is_read_as_it_is(tmp_path, colours, orientation, turns, half):
    """Linear DNGs, as converters and telephones write them, and those of sensors without colour filters."""
    black, white = 256, 16383
    values = np.random.default_rng(2).integers(black, white, (40, 60, colours), dtype=np.uint16)
    values[:4, :4] = white
    path = write_whole(tmp_path / "whole.dng", values, black, white, orientation)
    record, seen = photo.read_photo(path)
    balance = (2.0, 1.0, 1.5) if colours == 3 else record["neutral"]
    expected = (values.astype(float) - black) / (white - black) * 65535 * np.divide(balance, max(balance))
    if half:
        expected = expected.reshape(20, 2, 30, 2, 3).mean((1, 3))
    expected = np.rot90(expected, turns)
    linear = photo.read_linear(path, balance, half)
    assert linear.shape == expected.shape
    np.testing.assert_allclose(linear, expected, atol=0.51)
    assert (record["width"], record["height"]) == np.rot90(values, turns).shape[1::-1]
    light = (values[..., values.shape[2] // 2] - float(black)) / (white - black)
    assert seen["level"] == pytest.approx(np.log2(light.mean()), abs=0.01)
    assert seen["clipped"] == pytest.approx((light > 0.985).mean(), abs=1e-3)
    small, factor = photo.read_reduced(path)[1]
    assert small.shape == (*(n // factor for n in np.rot90(values, turns).shape[:2]), 3)


def test_a_sensor_without_colours_is_grey_and_its_hot_pixels_are_known(tmp_path):
    path = write_whole(tmp_path / "grey.dng", np.full((40, 60, 1), 4000, np.uint16), 256, 16383)
    record, mosaic = photo.read_photo(path)[0], photo.read_mosaic(path)
    assert record["problem"] is None
    assert record["neutral"] == record["daylight"] == [1, 1, 1]
    np.testing.assert_allclose(np.array(record["matrix"]["xyz_to_camera"][0]) @ [0.9505, 1, 1.0888], 1, atol=1e-3)
    assert mosaic.pattern.tolist() == [[1]]

    def mend(mosaic):
        mosaic.values[10, 20] = 9000
        return mosaic

    linear = photo.read_linear(path, record["neutral"], False, mend=mend)
    assert (linear[10, 20] > linear[10, 21]).all()


# A Fujifilm X-Trans sensor's cell (from memory), 0 red, 1 green, 2 blue.
SIX_BY_SIX = np.array([[int(c) for c in line] for line in ("110112", "112110", "201021", "112110", "110112", "021201")])


@pytest.mark.parametrize("half", [False, True])
def test_other_mosaics_than_bayers_are_interpolated_too(tmp_path, half):
    height, width, black, white = 540, 600, 256, 16383
    y, x = np.mgrid[:height, :width]
    true = np.stack([3000 + 6 * x + y, 3000 + 3 * (x + y), 4000 + 3 * x + 2 * y], axis=-1)
    mosaic = np.take_along_axis(true, np.tile(SIX_BY_SIX, (height // 6, width // 6))[..., None], axis=2)[..., 0]
    more = [(33421, dng.SHORT, [6, 6]), (33422, dng.BYTE, SIX_BY_SIX.ravel().tolist())]
    more += [(50713, dng.SHORT, [1, 1]), (50714, dng.SHORT, [black])]
    path = write_dng(tmp_path / "six.dng", mosaic, black=black, white=white, more=more)
    balance = np.array([2.0, 1.0, 1.5])
    expected = (true - black) / (white - black) * 65535 * balance / 2
    if half:
        expected = expected.reshape(height // 2, 2, width // 2, 2, 3).mean((1, 3))
    linear = photo.read_linear(path, balance, half)
    assert linear.shape == expected.shape
    np.testing.assert_allclose(linear[8:-8, 8:-8], expected[8:-8, 8:-8], atol=40)


def test_a_compressed_mosaic_is_the_same_to_the_bit_and_known_where_it_is_cut_short(tmp_path):
    values = np.random.default_rng(3).normal(5000, 300, (80, 120)).astype(np.uint16)
    plain = write_dng(tmp_path / "plain.dng", values, black=256, white=16383)
    path = write_compressed(tmp_path / "compressed.dng", values, 256, 16383)
    assert path.stat().st_size < 0.8 * plain.stat().st_size
    np.testing.assert_array_equal(photo.read_mosaic(path).values, values)
    linear = [photo.read_linear(p, (2.0, 1.0, 1.5), half=False) for p in (plain, path)]
    np.testing.assert_array_equal(*linear)
    whole = path.read_bytes()
    for part in (0.999, 0.9, 0.5):
        path.write_bytes(whole[: int(part * len(whole))])
        assert "cut short" in photo.read_photo(path)[0]["problem"], part


@pytest.mark.parametrize("half", [False, True])
def test_tiff_is_read_as_srgb_and_halved_by_the_mean(tmp_path, half):
    rng = np.random.default_rng(1)
    encoded = rng.integers(0, 65536, (20, 30, 3), dtype=np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", encoded, photometric="rgb")
    linear = photo.read_linear(tmp_path / "a.tif", (1, 1, 1), half)
    v = encoded / 65535
    # IEC 61966-2-1 (sRGB) decoding
    expected = 65535 * np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    if half:
        expected = expected.reshape(10, 2, 15, 2, 3).mean((1, 3))
    np.testing.assert_allclose(linear, expected, atol=3)


@pytest.mark.parametrize(
    ("content", "words"), [(b"", "empty"), (b"no photo at all\n" * 40, "cannot be read"), (None, "cannot be read")]
)
def test_a_bad_file_gets_a_reason(tmp_path, ramp, content, words):
    path = tmp_path / "bad.dng"
    path.write_bytes(ramp.read_bytes()[:3000] if content is None else content)
    assert words in photo.read_photo(path)[0]["problem"]


def test_eight_bit_tiff_is_refused_with_what_to_do(tmp_path):
    tifffile.imwrite(tmp_path / "b.tif", np.zeros((20, 30, 3), np.uint8), photometric="rgb")
    assert "16-bit" in photo.read_photo(tmp_path / "b.tif")[0]["problem"]


def test_a_sensor_of_four_colours_is_refused_with_what_to_do(tmp_path):
    more = [
        (33422, dng.BYTE, [0, 1, 3, 2]),
        (50710, dng.BYTE, [0, 1, 2, 3]),
        (50721, dng.SRATIONAL, np.eye(4, 3).ravel()),
    ]
    path = write_dng(tmp_path / "four.dng", np.full((64, 96), 4000), neutral=(1, 1, 1, 1), more=more)
    assert "4 colours" in photo.read_photo(path)[0]["problem"]


@pytest.mark.parametrize("kind", ["dng", "tif"])
def test_a_photo_is_let_go_of_once_it_is_read(tmp_path, ramp, kind, monkeypatch):
    """Without a search for rubbish: of 24 megapixels each, some tens kept would be all of a job's memory."""
    path = ramp
    if kind == "tif":
        path = tmp_path / "a.tif"
        tifffile.imwrite(path, np.zeros((64, 96, 3), np.uint16), photometric="rgb")
    data = path.read_bytes()
    monkeypatch.setattr(type(path), "read_bytes", lambda self: data)
    photo.read_photo(path)  # what is loaded at the first photo is loaded
    gc.collect()
    gc.disable()
    try:
        before = sys.getrefcount(data)
        record, _ = photo.read_photo(path)
        assert record["problem"] is None and sys.getrefcount(data) == before
    finally:
        gc.enable()


def test_metadata(tmp_path):
    exif = [
        (33434, dng.RATIONAL, [2.5]),
        (33437, dng.RATIONAL, [5.6]),
        (34855, dng.SHORT, [200]),
        (36867, dng.ASCII, "2031:03:14 21:04:11"),
        (37386, dng.RATIONAL, [18.0]),
        (37521, dng.ASCII, "37"),
        (41989, dng.SHORT, [27]),
        (42036, dng.ASCII, "Maker 18 mm"),
    ]
    record = photo.read_photo(
        write_dng(tmp_path / "one.dng", np.full((64, 96), 900), exif=exif, neutral=(0.5, 1, 0.8))
    )[0]
    expected = {
        "name": "one.dng", "time": "2031-03-14T21:04:11", "subsecond": 0.37, "shutter": 2.5, "aperture": 5.6,
        "iso": 200, "focal": 18, "focal35": 27, "camera": "Maker Model", "lens": "Maker 18 mm", "problem": None,
    }  # fmt: skip
    assert {key: record[key] for key in expected} == pytest.approx(expected)
    np.testing.assert_allclose(record["neutral"], [2, 1, 1.25], rtol=1e-5)


@pytest.mark.parametrize("size", [(1_000_000, 1_000_000), (30_000, 20_000)])
@pytest.mark.parametrize("kind", ["a.dng", "stored.tif", "packed.tif"])
def test_a_header_that_tells_of_a_vast_picture_is_refused_at_once(tmp_path, ramp, size, kind):
    """Without the memory for it, of which 30000x20000 pixels would take 4 GB."""
    path = ramp.rename(tmp_path / kind)
    if not kind.endswith("dng"):
        packed = {"photometric": "rgb", "compression": "zlib" if kind == "packed.tif" else None}
        tifffile.imwrite(path, np.zeros((60, 90, 3), np.uint16), **packed)
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        for code, length in zip((256, 257), size, strict=True):
            tiff.pages[0].tags[code].overwrite(length, dtype="I")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    record, glance = photo.read_photo(path)
    words = "cannot be read" if kind.endswith("dng") else f"says that it is {size[0]}x{size[1]} pixels, more than"
    assert glance is None and words in record["problem"]
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000, "KiB"


def test_a_directory_of_tags_that_leads_to_itself_has_an_end(ramp):
    data = bytearray(ramp.read_bytes())
    (count,) = struct.unpack_from("<H", data, 8)
    struct.pack_into("<I", data, 10 + 12 * count, 8)
    ramp.write_bytes(data)
    record, _ = photo.read_photo(ramp)
    assert (record["problem"], record["width"]) == (None, SIZE[0])
