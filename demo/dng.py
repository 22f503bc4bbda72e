"""A small writer of true Bayer raw files.

Layout after TIFF 6.0 (one little-endian IFD, one uncompressed strip, a linked Exif IFD), the DNG
specification 1.4 (CFA tags, levels, colour matrix) and Exif 2.32 (exposure, time, lens).
"""

import os
import struct
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10
_CODES = {BYTE: "B", SHORT: "H", LONG: "I"}
Tag = tuple[int, int, object]


def write(
    path: Path,
    mosaic: np.ndarray,
    *,
    black: int,
    white: int,
    xyz_to_camera: np.ndarray,
    neutral: np.ndarray,
    orientation: int,
    camera: tuple[str, str],
    exif: Sequence[Tag],
    when: str,
    more: Sequence[Tag] = (),
) -> None:
    """Write one photo; it appears under its name only when whole.

    mosaic: (H, W) uint16 sensor values, RGGB, as the sensor lies (not turned upright).
    xyz_to_camera: (3, 3), CIE XYZ to camera RGB under D65 (DNG ColorMatrix1).
    neutral: (3,) camera RGB of the as-shot neutral (AsShotNeutral), the greatest 1.
    camera: make and model. when: "YYYY:MM:DD hh:mm:ss". exif: (tag, type, values) of the Exif IFD.
    more: (tag, type, values) beside or instead of those of the first IFD; values None leave a tag out.
    """
    height, width = mosaic.shape
    make, model = camera
    tags = [
        (254, LONG, [0]),  # NewSubfileType: the full picture
        (256, LONG, [width]),
        (257, LONG, [height]),
        (258, SHORT, [16]),
        (259, SHORT, [1]),  # no compression
        (262, SHORT, [32803]),  # colour filter array
        (271, ASCII, make),
        (272, ASCII, model),
        (273, LONG, [0]),  # StripOffsets, filled in below
        (274, SHORT, [orientation]),
        (277, SHORT, [1]),
        (278, LONG, [height]),
        (279, LONG, [mosaic.size * 2]),
        (284, SHORT, [1]),
        (306, ASCII, when),
        (33421, SHORT, [2, 2]),  # CFARepeatPatternDim
        (33422, BYTE, [0, 1, 1, 2]),  # CFAPattern: RGGB
        (34665, LONG, [0]),  # Exif IFD, filled in below
        (50706, BYTE, [1, 4, 0, 0]),  # DNGVersion
        (50707, BYTE, [1, 1, 0, 0]),  # DNGBackwardVersion
        (50708, ASCII, f"{make} {model}"),  # UniqueCameraModel
        (50710, BYTE, [0, 1, 2]),  # CFAPlaneColor
        (50711, SHORT, [1]),  # CFALayout: rectangular
        (50713, SHORT, [2, 2]),  # BlackLevelRepeatDim
        (50714, SHORT, [black] * 4),
        (50717, LONG, [white]),
        (50721, SRATIONAL, xyz_to_camera.ravel()),
        (50728, RATIONAL, neutral),
        (50778, SHORT, [21]),  # CalibrationIlluminant1: D65
    ]
    own = {tag for tag, *_ in more}
    tags = [entry for entry in tags if entry[0] not in own] + [entry for entry in more if entry[2] is not None]
    start = 8
    # Sizes do not depend on the values, so a first pass with zeros finds where everything lies.
    exif_at = start + len(_ifd(tags, start))
    strip_at = exif_at + len(_ifd(exif, exif_at))
    links = {273: strip_at, 34665: exif_at}
    tags = [(tag, kind, [links[tag]] if tag in links else values) for tag, kind, values in tags]
    header = struct.pack("<2sHI", b"II", 42, start) + _ifd(tags, start) + _ifd(exif, exif_at)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as out:
            out.write(header)
            out.write(np.ascontiguousarray(mosaic, dtype="<u2").data)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _ifd(tags: Sequence[Tag], at: int) -> bytes:
    """One image file directory at byte `at` of the file, followed by the values that do not fit in it."""
    spill_at = at + 2 + 12 * len(tags) + 4
    entries, spill = b"", b""
    for tag, kind, values in sorted(tags, key=lambda entry: entry[0]):
        count, data = _encode(kind, values)
        if len(data) <= 4:
            field = data.ljust(4, b"\0")
        else:
            field = struct.pack("<I", spill_at + len(spill))
            spill += data + b"\0" * (len(data) % 2)
        entries += struct.pack("<HHI", tag, kind, count) + field
    return struct.pack("<H", len(tags)) + entries + struct.pack("<I", 0) + spill


def _encode(kind: int, values) -> tuple[int, bytes]:
    """Number of values and their bytes."""
    if kind == ASCII:
        data = values.encode("ascii") + b"\0"
        return len(data), data
    if kind == UNDEFINED:
        return len(values), bytes(values)
    if kind in (RATIONAL, SRATIONAL):
        pairs = [Fraction(float(value)).limit_denominator(1_000_000) for value in values]
        numbers = [number for pair in pairs for number in (pair.numerator, pair.denominator)]
        return len(pairs), struct.pack(f"<{len(numbers)}{'I' if kind == RATIONAL else 'i'}", *numbers)
    return len(values), struct.pack(f"<{len(values)}{_CODES[kind]}", *values)
