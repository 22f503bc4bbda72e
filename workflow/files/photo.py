"""Read photos: metadata, sensor data through LibRaw, and 16-bit TIFFs, as scene-linear camera RGB."""

import contextlib
import dataclasses
import io
import math
import tempfile
from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio
import rawpy
import tifffile

from files import checked, dng, metadata
from kerbwalk import camera, decode, demosaic, draft
from kerbwalk.colour import D65, XYZ_TO_BT709
from kerbwalk.glance import glance

TIFF_ENDINGS = (".tif", ".tiff")
WHITE = 65535
# Bytes of a TIFF's picture (178 megapixels): what is compressed may tell of any size, and is unpacked to it.
LARGEST = 1 << 30
# Quarter turns anticlockwise to upright, by LibRaw's code for how the camera was held.
TURNS = {3: 2, 5: 1, 6: 3}
# What is told of a photo whose equal values are grey.
GREY = {
    "neutral": [1.0, 1.0, 1.0],
    "daylight": [1.0, 1.0, 1.0],
    "matrix": {"kelvin": [6504], "xyz_to_camera": [XYZ_TO_BT709.tolist()]},
}


class PhotoError(Exception):
    """A photo that cannot be read; the text says what is wrong, without the file's name."""


@dataclasses.dataclass(frozen=True)
class Mosaic:
    """Sensor values, uint16 (h, w), not turned upright; the colours of their repeating cell, int (p, q), 0 red,
    1 green, 2 blue; and its black levels, int (p, q)."""

    values: np.ndarray
    pattern: np.ndarray
    black: np.ndarray


def read_photo(path):
    """What is to be known of a photo, from one reading of the file.

    Returns (record, glance). The record is a dict with name, bytes, checksum (XXH128), what files.metadata.read says,
    width and height (upright), neutral (as-shot white-balance multipliers, green = 1), matrix (the camera's colour, as
    in kerbwalk.camera), daylight (multipliers for D65), or None where the file does not say; exposure, the stops that a
    DNG asks for, where it does; and `problem`, None or what is wrong with a photo that cannot be used. The sensor data
    are unpacked once, so that a file cut short is noticed here; what they look like is in the glance (kerbwalk.glance),
    None where they are no mosaic.
    """
    return _taken_in(path, _look_at, lambda linear: glance(np.ascontiguousarray(linear[..., 1]), 0.0, WHITE, 1, 0))


def read_reduced(path):
    """The same with the picture itself, small and quick, for a draft: the sensor's pixels averaged over blocks.

    Returns (record, (picture, factor)), or (record, None). picture: uint16 (height, width, 3), scene-linear camera RGB,
    each channel full at 65535, upright, nothing mended (kerbwalk.draft); factor: photo pixels to one of its. The
    record's glance is none.
    """
    return _taken_in(path, _reduced, _averaged)


def _taken_in(path, look, look_at_linear):
    """A photo's record, and what look(raw) or look_at_linear(picture) tells of it."""
    path = Path(path)
    data = path.read_bytes()
    record = {
        "name": path.name,
        "bytes": len(data),
        "checksum": checked.digest(data),
        "problem": None,
    }
    record |= metadata.read(data)
    try:
        facts, seen = _tiff_facts(data, look_at_linear) if _is_tiff(path) else _raw_facts(data, look)
        return record | facts, seen
    except PhotoError as error:
        return record | {"problem": str(error)}, None


def read_linear(path, balance, half, data=None, mend=None):
    """A photo's scene-linear camera RGB, upright.

    balance: (3,) multipliers under which the mosaic is interpolated, the same for every photo of a shoot.
    half: True to join each 2x2 of the mosaic to one pixel instead of interpolating; its pixel x lies at
    2x + 0.5 of the full picture. data: the file's bytes, where they have been read and checked
    (files.checked). mend: a function from the Mosaic to the one that is interpolated, whose values may be float32, or
    None.
    Returns uint16 (height, width, 3); a channel is full at 65535 times its multiplier over the greatest, so that none
    is cut (kerbwalk.highlights). Bayer mosaics are interpolated by kerbwalk.demosaic, other mosaics by LibRaw, with all
    off that would depend on the picture's own content (its automatic brightness, and its adjustment of the white level
    to the brightest pixel); what has all its colours at every pixel, as linear DNGs have, or is grey stays as it is.
    Raises PhotoError.
    """
    data = Path(path).read_bytes() if data is None else data
    if _is_tiff(path):
        linear = _read_tiff(data)
        return _halved(linear) if half else linear
    with _reading(), rawpy.imread(io.BytesIO(data)) as raw:
        mosaic = _mosaic(raw)
        if mosaic is None:
            return _whole(raw, raw.raw_image_visible, balance, half)
        levels = _white_levels(raw, mosaic.pattern)
        if mend:
            mosaic = mend(mosaic)
        if _is_grey(raw):
            return _whole(raw, mosaic.values, balance, half)
        if _is_bayer(raw):
            interpolate = demosaic.superpixels if half else demosaic.bayer
            scale = decode.full_levels(balance)[mosaic.pattern] / (levels - mosaic.black)
            return _turned(raw, interpolate(mosaic.values, mosaic.pattern, mosaic.black, scale))
        decode.to_one_white(mosaic, levels, raw.white_level)
        raw.raw_image_visible[:] = np.rint(np.clip(mosaic.values, 0, WHITE))
        return _developed(raw, balance, half)


def _white_levels(raw, colours):
    """The level at which each of these colours is full, in the shape of the array that names them."""
    whites = raw.camera_white_level_per_channel
    return decode.white_levels(colours, whites and whites[: raw.num_colors], raw.white_level)


def _turned(raw, picture):
    return np.ascontiguousarray(np.rot90(picture, TURNS.get(raw.sizes.flip, 0)))


def _whole(raw, values, balance, half):
    """A picture that is no mosaic of colours. values: (h, w, 3 or more), or (h, w) of a sensor without colours."""
    values = values[..., None] if values.ndim == 2 else values[..., :3]
    colours = np.arange(values.shape[2])
    black, white = np.asarray(raw.black_level_per_channel)[colours], _white_levels(raw, colours)
    values = decode.averaged(values, 2) if half else values
    return _turned(raw, decode.levelled(values, black, decode.full_levels(balance) / (white - black)))


def _developed(raw, balance, half):
    return raw.postprocess(
        demosaic_algorithm=rawpy.DemosaicAlgorithm.PPG,
        half_size=half,
        user_wb=[balance[0], balance[1], balance[2], balance[1]],
        output_color=rawpy.ColorSpace.raw,
        output_bps=16,
        highlight_mode=rawpy.HighlightMode.Ignore,
        gamma=(1, 1),
        no_auto_bright=True,
        adjust_maximum_thr=0,
    )


def _reduced(raw):
    mosaic = _mosaic(raw)
    if mosaic is None or _is_grey(raw):
        return _averaged(_whole(raw, raw.raw_image_visible, (1, 1, 1), False))
    factor = draft.factor(*mosaic.values.shape, len(mosaic.pattern))
    full = _white_levels(raw, mosaic.pattern) - mosaic.black
    scale = [WHITE / full[mosaic.pattern == colour].mean() for colour in range(3)]
    picture = draft.blocks(mosaic.values, mosaic.pattern, mosaic.black, factor, scale)
    return _turned(raw, picture), factor


def _averaged(picture):
    factor = draft.factor(*picture.shape[:2], 1)
    return np.rint(decode.averaged(picture, factor)).astype(np.uint16), factor


def _is_bayer(raw):
    """Whether the picture is the mosaic's own, of 2x2 cells: no other pattern, and no sensor that lies askew or has
    oblong pixels."""
    sizes, shape = raw.sizes, raw.raw_image_visible.shape
    own = shape == (sizes.iheight, sizes.iwidth) and sizes.pixel_aspect == 1 and min(shape) >= 4
    return own and raw.raw_pattern.shape == (2, 2) and raw.color_desc == b"RGBG"


def _is_grey(raw):
    """Whether the sensor has no colour filters."""
    return raw.num_colors == 1


def read_mosaic(path, data=None):
    """A raw file's mosaic as it lies in the file, or None for a photo that has none. Raises PhotoError.

    data: the file's bytes, where they have been read and checked (files.checked).
    """
    if _is_tiff(path):
        return None
    with _reading(), rawpy.imread(io.BytesIO(Path(path).read_bytes() if data is None else data)) as raw:
        mosaic = _mosaic(raw)
        return mosaic and dataclasses.replace(mosaic, values=mosaic.values.copy())


def _mosaic(raw):
    if raw.raw_type != rawpy.RawType.Flat:
        return None
    # All that a sensor without colours has is taken for green.
    pattern = np.ones((1, 1), int) if _is_grey(raw) else np.asarray(raw.raw_pattern)
    black = np.asarray(raw.black_level_per_channel)[pattern]
    # The second green is a colour of its own to LibRaw, and not to us.
    return Mosaic(raw.raw_image_visible, np.where(pattern == 3, 1, pattern), black)


def _is_tiff(path):
    return Path(path).suffix.lower() in TIFF_ENDINGS


@contextlib.contextmanager
def _reading():
    try:
        yield
    except rawpy.LibRawIOError:  # of bytes in memory
        raise PhotoError("cannot be read as a photo (it is cut short, or no raw file)") from None
    except (rawpy.LibRawError, MemoryError, tifffile.TiffFileError, ValueError, NotImplementedError) as error:
        text = error.args[0] if error.args else error
        text = text.decode(errors="replace") if isinstance(text, bytes) else str(text)
        raise PhotoError(f"cannot be read as a photo ({text})") from None
    except (ArithmeticError, LookupError, TypeError):
        # What is told as a level, a colour or a size is none.
        raise PhotoError("cannot be read as a photo (its header contradicts itself)") from None


def _raw_facts(data, look):
    if not data:
        raise PhotoError("is empty (0 bytes)")
    with _reading(), rawpy.imread(io.BytesIO(data)) as raw:
        if raw.raw_image is None and raw.raw_type != rawpy.RawType.Stack:
            raise PhotoError("holds no sensor data")
        if raw.num_colors not in (1, 3):
            raise PhotoError(
                f"has {raw.num_colors} colours instead of red, green and blue; convert it to a 16-bit TIFF"
            )
        sizes = raw.sizes
        turned = sizes.flip in (5, 6)
        facts = {
            "width": sizes.iheight if turned else sizes.iwidth,
            "height": sizes.iwidth if turned else sizes.iheight,
        }
        if _is_grey(raw):
            return facts | GREY, look(raw)
        facts |= {"neutral": _multipliers(raw.camera_whitebalance), "matrix": libraw_matrix(raw)}
        seen = look(raw)
    # What a DNG says of its colours goes before what LibRaw makes of it: that is one light's matrix, and an
    # as-shot white given as xy comes out as something else.
    with _reading():
        facts |= dng.colour(data)
        facts["daylight"] = facts["matrix"] and _multipliers(1 / camera.neutral_of(facts["matrix"], D65))
    return facts, seen


def _look_at(raw):
    sensor, black, period = raw.raw_image_visible, np.asarray(raw.black_level_per_channel), 1
    if raw.raw_type == rawpy.RawType.Flat:
        period = len(raw.raw_pattern)
    else:
        sensor, black = np.ascontiguousarray(sensor[..., 1]), black[1]
    return glance(sensor, float(black.mean()), float(raw.white_level), period, TURNS.get(raw.sizes.flip, 0))


def libraw_matrix(raw):
    """A camera's colour from LibRaw's one matrix, from RGB balanced for D65 to BT.709, or None where it has none."""
    to_709, daylight = np.asarray(raw.color_matrix, float)[:, :3], _multipliers(raw.daylight_whitebalance)
    if not np.isfinite(to_709).all() or abs(np.linalg.det(to_709)) < 1e-6 or not daylight:
        return None
    xyz_to_camera = np.linalg.solve(to_709, XYZ_TO_BT709) / np.array(daylight)[:, None]
    return {"kelvin": [6504], "xyz_to_camera": [xyz_to_camera.tolist()]}


def _multipliers(values):
    red, green, blue = (float(v) for v in values[:3])
    if not all(math.isfinite(v) and v > 0 for v in (red, green, blue)):
        return None
    return [red / green, 1.0, blue / green]


def _tiff_facts(data, look):
    linear = _read_tiff(data)
    return {
        "width": linear.shape[1],
        "height": linear.shape[0],
    } | GREY, look(linear)


def _read_tiff(data):
    with _reading(), io.BytesIO(data) as file, tifffile.TiffFile(file) as tiff:
        page = tiff.pages[0]
        if page.nbytes > LARGEST:
            raise PhotoError(f"says that it is {page.imagewidth}x{page.imagelength} pixels, more than any photo has")
        pixels = page.asarray()
        orientation = page.tags.valueof(274, 1)
        profile = page.tags.valueof(34675)
    if pixels.dtype != np.uint16 or pixels.ndim != 3 or pixels.shape[2] < 3:
        raise PhotoError("is not a 16-bit RGB TIFF; export 16-bit RGB, or give the raw file")
    encoded = np.ascontiguousarray(_upright(pixels[..., :3], orientation), np.float32) / np.float32(WHITE)
    return np.rint(np.clip(to_linear(encoded, profile), 0, 1) * WHITE).astype(np.uint16)


def to_linear(encoded, profile):
    """Encoded RGB to linear BT.709 RGB by the file's own ICC profile, or as sRGB where it has none.

    encoded: float32 (h, w, 3), 0..1, changed in place; profile: bytes or None. Returns float32, which may leave 0..1.
    """
    pixels = np.ascontiguousarray(encoded)
    config = ocio.Config.CreateRaw()
    if profile:
        with tempfile.NamedTemporaryFile(suffix=".icc") as file:
            file.write(bytes(profile))
            file.flush()
            # OpenColorIO reads a profile as XYZ (adapted to D65) to device.
            transform = ocio.FileTransform(file.name, direction=ocio.TRANSFORM_DIR_INVERSE)
            config.getProcessor(transform).getDefaultCPUProcessor().applyRGB(pixels)
        return pixels @ np.float32(XYZ_TO_BT709.T)
    srgb = ocio.ExponentWithLinearTransform(gamma=[2.4] * 3 + [1.0], offset=[0.055] * 3 + [0.0])
    config.getProcessor(srgb).getDefaultCPUProcessor().applyRGB(pixels)
    return pixels


def _upright(pixels, orientation):
    """Turn a picture by its EXIF orientation (CIPA DC-008): 1 as it is, 3 by 180, 6 and 8 by 90 degrees."""
    turns = {3: 2, 6: 3, 8: 1}
    return np.ascontiguousarray(np.rot90(pixels, turns.get(orientation, 0)))


def _halved(pixels):
    height, width = (n // 2 * 2 for n in pixels.shape[:2])
    blocks = pixels[:height, :width].reshape(height // 2, 2, width // 2, 2, 3)
    return np.rint(blocks.mean((1, 3), dtype=np.float32)).astype(np.uint16)
