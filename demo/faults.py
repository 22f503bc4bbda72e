"""Faults put into finished photos of the demo, each as it would come about, for tests of what finds them.

All change files in place, and only files that demo/dng.py has written: one uncompressed strip, RGGB.
"""

import struct
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from demo import dng
from demo.photo import BLACK, FULL_WELL, READ_NOISE, WHITE

GAIN = (WHITE - BLACK) / FULL_WELL  # sensor levels an electron
Planes = np.ndarray  # (4, h, w) float32, light of R, G, G, B in sensor levels


def relight(path: Path, change: Callable[[Planes], Planes]) -> None:
    """Change the light that fell on the sensor. Less light is less noisy, and so the noise is made anew."""
    data, strip, shape = _opened(path)
    mosaic = np.frombuffer(data, "<u2", shape[0] * shape[1], strip).reshape(shape)
    planes = np.stack([mosaic[y::2, x::2] for y in (0, 1) for x in (0, 1)]).astype(np.float32) - BLACK
    changed = np.asarray(change(planes), np.float32)
    noise = np.random.default_rng(strip + int(planes.sum()) % 1_000_000).standard_normal(planes.shape, np.float32)
    levels = changed.copy()
    # Where nothing was changed, the noise is there already.
    new = np.abs(changed - planes) > 1e-3
    sigma = GAIN * np.sqrt(np.maximum(changed, 0) / GAIN + READ_NOISE**2)
    levels[new] += (noise * sigma)[new]
    result = np.empty(shape, "<u2")
    for k, (y, x) in enumerate((y, x) for y in (0, 1) for x in (0, 1)):
        result[y::2, x::2] = np.clip(np.rint(levels[k] + BLACK), 0, WHITE)
    path.write_bytes(data[:strip] + result.tobytes() + data[strip + result.nbytes :])


def dim(stops: float) -> Callable[[Planes], Planes]:
    """More light (above 0) or less."""
    return lambda planes: planes * np.float32(2.0**stops)


def defocus(part: float) -> Callable[[Planes], Planes]:
    """Out of focus: every point a Gaussian of a sigma that is this part of the picture's width."""
    return lambda planes: np.stack([cv2.GaussianBlur(p, (0, 0), part * p.shape[1]) for p in planes])


def shake(part: float) -> Callable[[Planes], Planes]:
    """Shaken to and fro sideways over this part of the picture's width."""

    def change(planes):
        length = max(3, round(part * planes.shape[2]) | 1)
        return np.stack([cv2.blur(p, (length, 1)) for p in planes])

    return change


def obstruct(part: float) -> Callable[[Planes], Planes]:
    """Somebody's dark back before the lens, out of focus, over this part of the picture's width."""

    def change(planes):
        width = planes.shape[2]
        edge = 1 / (1 + np.exp((np.arange(width) - part * width) / (0.02 * width)))
        return planes * np.float32(1 - edge) + np.float32(20) * np.float32(edge)

    return change


def dew(amount: float) -> Callable[[Planes], Planes]:
    """Dew on the lens: this part of the light is spread far and wide."""

    def change(planes):
        width = planes.shape[2]
        soft = np.stack([cv2.GaussianBlur(p, (0, 0), 0.004 * width) for p in planes])
        wide = np.stack([cv2.GaussianBlur(p, (0, 0), 0.12 * width) for p in planes])
        return (1 - amount) * planes + amount * (0.5 * soft + 0.5 * wide)

    return change


def dust(spots: list[tuple[float, float]], size: float = 0.006, depth: float = 0.25) -> Callable[[Planes], Planes]:
    """Dust on the sensor: soft dark spots at fixed fractions (x, y), of a radius that is a part of the width."""

    def change(planes):
        height, width = planes.shape[1:]
        y, x = np.mgrid[:height, :width]
        shade = np.ones((height, width), np.float32)
        for fx, fy in spots:
            away = np.hypot(x - fx * width, y - fy * height) / (size * width)
            shade *= 1 - np.float32(depth / 2) * np.float32(1 - np.tanh((away - 1) / 0.4))
        return planes * shade

    return change


def roll(degrees: float) -> Callable[[Planes], Planes]:
    """The camera leans to a side."""
    return lambda planes: np.stack([_turned(p, degrees, (0, 0)) for p in planes])


def knock(across: float, down: float) -> Callable[[Planes], Planes]:
    """The aim is off by parts of the picture's width and height."""
    return lambda planes: np.stack([_turned(p, 0, (across * planes.shape[2], down * planes.shape[1])) for p in planes])


def _turned(plane, degrees, shift):
    height, width = plane.shape
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), degrees, 1)
    matrix[:, 2] += shift
    return cv2.warpAffine(plane, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def cut(path: Path, part: float) -> None:
    """Only this part of the file was copied."""
    data = path.read_bytes()
    path.write_bytes(data[: int(part * len(data))])


def spoil(path: Path, start: float = 0.6, length: int = 65536) -> None:
    """A stretch of the file, from a fraction of its length on, is zeros, as a failing card leaves it."""
    data = bytearray(path.read_bytes())
    first = int(start * len(data))
    data[first : first + length] = bytes(len(data[first : first + length]))
    path.write_bytes(data)


def flip(path: Path, place: float = 0.7) -> None:
    """One bit is another."""
    data = bytearray(path.read_bytes())
    data[int(place * len(data))] ^= 4
    path.write_bytes(data)


def retag(path: Path, **values) -> None:
    """Give tags of the photo new values of no greater length; by name, see _TAGS. None takes one away."""
    data = bytearray(path.read_bytes())
    for name, value in values.items():
        tag, kind = _TAGS[name]
        place = _entry(data, tag)
        if value is None:
            struct.pack_into("<H", data, place, 65000)
            continue
        numbers = value if isinstance(value, (str, list)) else [value]
        count, content = dng._encode(kind, numbers)
        had = struct.unpack_from("<I", data, place + 4)[0]
        if kind == dng.ASCII:
            content = content.ljust(had, b"\0") if count <= had else content
            if count > had:
                raise ValueError(f"{name}: {value!r} is longer than what is there")
        inline = len(content) <= 4
        at = place + 8 if inline else struct.unpack_from("<I", data, place + 8)[0]
        data[at : at + len(content)] = content
    path.write_bytes(data)


_TAGS = {
    "model": (272, dng.ASCII),
    "orientation": (274, dng.SHORT),
    "datetime": (306, dng.ASCII),
    "exif": (34665, dng.LONG),
    "shutter": (33434, dng.RATIONAL),
    "aperture": (33437, dng.RATIONAL),
    "iso": (34855, dng.SHORT),
    "time": (36867, dng.ASCII),
    "offset": (36881, dng.ASCII),
    "focal": (37386, dng.RATIONAL),
    "subsecond": (37521, dng.ASCII),
    "white_balance": (41987, dng.SHORT),
    "focal35": (41989, dng.SHORT),
    "lens": (42036, dng.ASCII),
    "neutral": (50728, dng.RATIONAL),
}


def _entry(data, wanted):
    """Where a tag's entry lies, in the first directory or in Exif's."""
    starts = [8]
    for start in starts:
        (count,) = struct.unpack_from("<H", data, start)
        for place in range(start + 2, start + 2 + 12 * count, 12):
            (tag,) = struct.unpack_from("<H", data, place)
            if tag == wanted:
                return place
            if tag == 34665:
                starts.append(struct.unpack_from("<I", data, place + 8)[0])
    raise KeyError(wanted)


def _opened(path):
    """(bytes, where the strip begins, (height, width))."""
    data = path.read_bytes()
    width, height, strip = (struct.unpack_from("<I", data, _entry(data, tag) + 8)[0] for tag in (256, 257, 273))
    return data, strip, (height, width)
