"""Graded stills: read with their profile, and the reference photo written for the photographer to grade.

A still is seen on a screen by its own profile, the clip on a BT.1886 display. Both are brought to look the same by the
light they show: a still's colours are taken to linear light by its profile (sRGB where there is none) and back to
the signal that makes a BT.1886 display show that light; the reference goes out the other way. Black is zero on both.
"""

import cv2
import numpy as np
import PyOpenColorIO as ocio
import tifffile
from PIL import Image, ImageCms

from files.photo import to_linear
from files.stage import StageError


def read(path):
    """A still as BT.709 signal for a BT.1886 display, float32 (h, w, 3).

    TIFF or PNG of 8 or 16 bits, or JPEG; RGB, its matrix profile honoured. Raises StageError.
    """
    what_to_do = "save it as an RGB TIFF, PNG or JPEG with an sRGB, Display P3 or other matrix profile"
    try:
        profile, mode = _profile_and_mode(path)
    except (OSError, ValueError, tifffile.TiffFileError) as error:
        raise StageError(f"{path}: the graded still cannot be read ({error}); {what_to_do}") from None
    if mode == "CMYK":
        raise StageError(f"{path}: the graded still is in CMYK; {what_to_do}")
    pixels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise StageError(f"{path}: the graded still cannot be read (cut short, or of an unusual kind); {what_to_do}")
    if pixels.dtype not in (np.uint8, np.uint16):
        raise StageError(f"{path}: the graded still is no picture of 8 or 16 bits; {what_to_do}")
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., None], 3, axis=2)
    full = np.iinfo(pixels.dtype).max
    if pixels.shape[2] == 4 and pixels[..., 3].min() < full:
        raise StageError(f"{path}: the graded still has transparent parts; save it without an alpha channel")
    encoded = pixels[..., 2::-1].astype(np.float32) / full
    try:
        light = to_linear(encoded, profile)
    except ocio.Exception:
        raise StageError(f"{path}: its colour profile cannot be used; {what_to_do}") from None
    return np.power(np.clip(light, 0, 1), np.float32(1 / 2.4))


def write_reference(path, signal):
    """A signal for a BT.1886 display, float (h, w, 3), as a 16-bit sRGB TIFF with profile that looks the same.

    Source: IEC 61966-2-1 (sRGB encoding).
    """
    light = np.power(np.clip(signal, 0, 1), np.float32(2.4))
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    pixels = np.rint(encoded * 65535).astype(np.uint16)
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=profile, compression=None, metadata=None)


def _profile_and_mode(path):
    if str(path).lower().endswith((".tif", ".tiff")):
        with tifffile.TiffFile(path) as tiff:
            if not len(tiff.pages):  # the directory lies behind the pixels, and was cut off
                raise ValueError("cut short: there is no picture in it")
            tags = tiff.pages[0].tags
            separated = tags.valueof(262) == tifffile.PHOTOMETRIC.SEPARATED
            return tags.valueof(34675), "CMYK" if separated else "RGB"
    with Image.open(path) as picture:
        picture.load()  # complains of a file that was cut short
        return picture.info.get("icc_profile"), picture.mode
