"""From a photo's full resolution to the working size, and the levels at which its channels are full."""

import numpy as np

# A crop for steadying and aspect keeps at least this part of the picture's long side, as a rule.
CROP_ALLOWANCE = 1.2
# A picture beyond the master's size may be so many times as wide or high as the photos.
ENLARGED = 4


def reduction(width, height, boxes):
    """How far decoding reduces a photo: (superpixel, average).

    width, height: of the photo; boxes: (width, height) of each picture that is composed from it. superpixel is True
    where a 2x2 of the mosaic may become one pixel, average the whole factor of an area average after
    it. The reduced picture keeps every wanted size with the room that a crop takes.
    """
    room = min(min(width / box[0], height / box[1]) for box in boxes) / CROP_ALLOWANCE
    return room >= 2, max(1, int(room // 2)) if room >= 2 else 1


def too_large(width, height, boxes):
    """Those of the boxes that ask for far more than photos of width and height hold."""
    return [box for box in boxes if max(box[0] / width, box[1] / height) > ENLARGED]


def scale(width, height, boxes):
    """Photo pixels a decoded pixel, as `reduction` has it."""
    superpixel, average = reduction(width, height, boxes)
    return (2 if superpixel else 1) * average


def averaged(picture, factor):
    """Area average over factor x factor blocks; rows and columns that fill no block are left off.

    picture: (height, width, channels) of any number type. Returns float32. Pixel x of the result lies at
    factor * x + (factor - 1) / 2 of the picture.
    """
    height, width = (n // factor for n in picture.shape[:2])
    cut = picture[: height * factor, : width * factor]
    rows = added([cut[k::factor] for k in range(factor)])
    columns = added([rows[:, k::factor] for k in range(factor)])
    columns /= np.float32(factor * factor)
    return columns


def added(parts):
    """The sum of arrays of one shape and any number type, in float32."""
    total = np.add(parts[0], parts[1] if len(parts) > 1 else 0, dtype=np.float32)
    for part in parts[2:]:
        total += part
    return total


def full_levels(balance):
    """The level at which each channel of a decoded frame is full, float32 (3,), the greatest of them 65535.

    balance: (3,) white-balance multipliers of the decoding.
    """
    return (65535 * np.asarray(balance) / np.max(balance)).astype(np.float32)


def white_levels(pattern, whites, white):
    """The level at which each place of a mosaic's cell is full, float (p, q).

    pattern: int (p, q), the cell's colours; whites: white level of each colour, or None where the file has none; white:
    the level that the decoder takes for full. A level that is less than half or more than twice that is not believed.
    """
    if not whites or not all(white / 2 < level < white * 2 for level in whites):
        return np.full(pattern.shape, float(white))
    return np.asarray(whites, float)[pattern]


def levelled(values, black, scale):
    """Pixels that have all their colours, above black and times a scale: uint16 (h, w, 3), cut to its range.

    values: (h, w, 3) of any number type, or (h, w, 1) of one grey for all; black: (3,) or (1,), in their units; scale:
    (3,).
    """
    out = np.empty((*values.shape[:2], 3), np.uint16)
    for line, made in zip(values, out, strict=True):
        np.rint(np.clip((line - np.float32(black)) * np.float32(scale), 0, 65535), out=made, casting="unsafe")
    return out


def to_one_white(mosaic, levels, white):
    """Stretch the colours of a mosaic that are full at levels of their own to one white level, in place.

    mosaic: files.photo.Mosaic; levels: white_levels(); white: the level that the decoder takes for full.
    """
    rows, columns = mosaic.pattern.shape
    for y, x in np.ndindex(rows, columns):
        level, black = levels[y, x], mosaic.black[y, x]
        if level != white:
            part = mosaic.values[y::rows, x::columns]
            stretched = (part.astype(np.float32) - black) * ((white - black) / (level - black)) + black
            part[:] = np.rint(np.clip(stretched, 0, 65535))
