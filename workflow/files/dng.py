"""What a DNG file says of its own colours, read from its tags.

Source: Digital Negative Specification 1.7, chapter 4 (tag numbers and meanings, from memory; checked against LibRaw's
reading in tests/references).
"""

import io
import math
import struct

import numpy as np
import tifffile

from kerbwalk import camera

AS_SHOT_NEUTRAL, AS_SHOT_XY, ANALOG_BALANCE, BASELINE_EXPOSURE = 50728, 50729, 50727, 50730
# ColorMatrix, CameraCalibration, ForwardMatrix, CalibrationIlluminant of the first and the second light.
LIGHTS = ((50721, 50723, 50964, 50778), (50722, 50724, 50965, 50779))
# Temperatures of EXIF's light sources (CIPA DC-008, LightSource): the CIE's illuminants by their own; lamps by the
# middle of their range; daylight, flash, clouds and shade by common practice, no source.
KELVIN = {
    1: 5500, 2: 4150, 3: 2856, 4: 5500, 9: 5500, 10: 6500, 11: 7500, 12: 6400, 13: 5050, 14: 4150, 15: 3525,
    16: 2925, 17: 2856, 18: 4874, 19: 6774, 20: 5503, 21: 6504, 22: 7504, 23: 5003, 24: 3200,
}  # fmt: skip


def colour(data):
    """The colours that a DNG states of itself: matrix (see kerbwalk.camera), neutral (multipliers, green = 1) and
    exposure (stops that the file asks for). Each only where the file has it; {} for files of other kinds.

    data: the file's bytes.
    """
    tags = _tags(data)
    lights = [light for light in LIGHTS if _square(tags.get(light[0])) is not None]
    known = [light for light in lights if _kelvin(tags, light)]
    found = {}
    if lights:
        # Matrices of unknown lights cannot be mixed: then the first is taken for daylight's.
        lights = known or lights[:1]
        found["matrix"] = {"kelvin": [_kelvin(tags, light) or 6504 for light in lights]}
        for key, place in (("xyz_to_camera", 0), ("calibration", 1), ("camera_to_d50", 2)):
            matrices = [_square(tags.get(light[place])) for light in lights]
            if all(matrices):
                found["matrix"][key] = matrices
        if _positive(tags.get(ANALOG_BALANCE)):
            found["matrix"]["analog"] = list(tags[ANALOG_BALANCE])
    elif LIGHTS[0][0] in tags:
        found["matrix"] = None
    if _positive(neutral := tags.get(AS_SHOT_NEUTRAL)):
        found["neutral"] = [neutral[1] / v for v in neutral]
    elif found.get("matrix") and AS_SHOT_XY in tags:
        found["neutral"] = (1 / camera.neutral_of(found["matrix"], tags[AS_SHOT_XY])).tolist()
    if BASELINE_EXPOSURE in tags:
        found["exposure"] = tags[BASELINE_EXPOSURE][0]
    return found


def _tags(data):
    """{number: tuple of numbers} of the colour tags in a file's first directory; {} if it is no DNG."""
    try:
        # Closed, as what tifffile leaves in a circle would keep the photo until rubbish is looked for.
        with io.BytesIO(data) as file, tifffile.TiffFile(file) as tiff:
            tags = tiff.pages[0].tags
            if 50706 not in tags:  # DNGVersion
                return {}
            wanted = {n for light in LIGHTS for n in light} | {AS_SHOT_NEUTRAL, AS_SHOT_XY, ANALOG_BALANCE}
            return {tag.code: _numbers(tag) for tag in tags if tag.code in wanted | {BASELINE_EXPOSURE}}
    except (tifffile.TiffFileError, struct.error, ValueError, IndexError, KeyError):
        return {}


def _numbers(tag):
    values = np.atleast_1d(np.asarray(tag.value, float))
    if tag.dtype in (tifffile.DATATYPE.RATIONAL, tifffile.DATATYPE.SRATIONAL):
        values = values[::2] / np.where(values[1::2] == 0, np.nan, values[1::2])
    return tuple(values.tolist())


def _kelvin(tags, light):
    return KELVIN.get(int(tags.get(light[3], (0,))[0]))


def _square(values):
    """A 3x3 matrix as nested lists, or None where it is missing or cannot be inverted."""
    matrix = np.reshape(values, (3, 3)) if values is not None and len(values) == 9 else np.zeros((3, 3))
    return matrix.tolist() if np.isfinite(matrix).all() and abs(np.linalg.det(matrix)) > 1e-6 else None


def _positive(values):
    return values is not None and len(values) == 3 and all(math.isfinite(v) and v > 0 for v in values)
