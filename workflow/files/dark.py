"""A dark frame: a photo taken with the lens covered, of the same exposure as the shoot's."""

from pathlib import Path

from files.photo import PhotoError, read_mosaic
from files.stage import StageError
from kerbwalk import hot


def read(path):
    """(file name, Mosaic) of a dark frame, or None where the path is None. Raises StageError."""
    if not path:
        return None
    try:
        mosaic = read_mosaic(path)
    except PhotoError as error:
        raise StageError(f"{path}: the dark frame {error}; name another, or none") from None
    if mosaic is None:
        raise StageError(f"{path}: the dark frame holds no sensor data; give a raw file of the shoot's own camera")
    return Path(path).name, mosaic


def take_off(mosaic, taken, photo):
    """Subtract a dark frame, as `read` gave it, from a photo's Mosaic in place. Raises StageError."""
    if taken is None:
        return
    name, frame = taken
    if frame.values.shape != mosaic.values.shape or (frame.pattern != mosaic.pattern).any():
        sizes = ["x".join(map(str, m.values.shape[::-1])) for m in (frame, mosaic)]
        raise StageError(
            f"{name}: the dark frame is of {sizes[0]} sites, and {photo} of {sizes[1]}; "
            "give one of the same camera and raw size, or none"
        )
    hot.subtract(mosaic.values, frame.values, mosaic.black)
