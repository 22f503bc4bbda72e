"""From a photo's full resolution to the working size, and the small pictures that the analyses use."""

import numpy as np

# A crop for steadying and aspect keeps at least this part of the picture's long side, as a rule.
CROP_ALLOWANCE = 1.2
PROXY_SIDE = 1600
LIGHT_SIDE = 400


def reduction(width, height, wanted):
    """How far decoding reduces a photo: (superpixel, average).

    width, height: of the photo; wanted: (width, height) of the largest deliverable. superpixel is True
    where a 2x2 of the mosaic may become one pixel, average the whole factor of an area average after
    it. The reduced picture keeps the wanted size with the room that a crop takes.
    """
    room = max(width, height) / (max(wanted) * CROP_ALLOWANCE)
    return room >= 2, max(1, int(room // 2)) if room >= 2 else 1


def scale(width, height, wanted):
    """Photo pixels a decoded pixel, as `reduction` has it."""
    superpixel, average = reduction(width, height, wanted)
    return (2 if superpixel else 1) * average


def averaged(picture, factor):
    """Area average over factor x factor blocks; rows and columns that fill no block are left off.

    picture: (height, width, channels) of any number type. Returns float32. Pixel x of the result lies at
    factor * x + (factor - 1) / 2 of the picture.
    """
    height, width = (n // factor for n in picture.shape[:2])
    cut = picture[: height * factor, : width * factor]
    rows = _added([cut[k::factor] for k in range(factor)])
    columns = _added([rows[:, k::factor] for k in range(factor)])
    columns /= np.float32(factor * factor)
    return columns


def _added(parts):
    total = np.add(parts[0], parts[1] if len(parts) > 1 else 0, dtype=np.float32)
    for part in parts[2:]:
        total += part
    return total


def full_levels(balance):
    """The level at which each channel of a decoded frame is full, float32 (3,), the greatest of them 65535.

    balance: (3,) white-balance multipliers of the decoding.
    """
    return (65535 * np.asarray(balance) / np.max(balance)).astype(np.float32)


def to_one_white(mosaic, whites, white):
    """Stretch the colours of a mosaic that are full at levels of their own to one white level, in place.

    mosaic: files.photo.Mosaic; whites: white level of each colour, or None where the file has none; white: the level
    that the decoder takes for full. A level that is less than half or more than twice that is not believed.
    """
    if not whites or not all(white / 2 < level < white * 2 for level in whites):
        return
    rows, columns = mosaic.pattern.shape
    for y, x in np.ndindex(rows, columns):
        level, black = whites[mosaic.pattern[y, x]], mosaic.black[y, x]
        if level != white:
            part = mosaic.values[y::rows, x::columns]
            stretched = (part.astype(np.float32) - black) * ((white - black) / (level - black)) + black
            part[:] = np.rint(np.clip(stretched, 0, 65535))


def proxies(frame, clipped, full):
    """Small pictures of a working frame for motion and light.

    frame: uint16 (height, width, 3), scene-linear balanced camera RGB; clipped: bool (height, width);
    full: full_levels(). All are brought to the level at which the channel that is full first is 65535.
    Returns grey, uint16 (h, w): (R + 2 G + B) / 4 at most 1600 wide or high, for tracking; light, float32
    (h2, w2, 3) at most 400 wide or high; clipped, bool (h2, w2): a pixel of the block is clipped in a channel;
    and the two factors to the working frame.
    """
    side = max(frame.shape[:2])
    grey_factor = -(-side // PROXY_SIDE)
    further = -(-side // (grey_factor * LIGHT_SIDE))
    light_factor = grey_factor * further
    small = averaged(frame, grey_factor)
    small *= np.float32(65535 / full.min())
    grey = np.minimum(small @ np.float32([0.25, 0.5, 0.25]), 65535)
    light = averaged(small, further)
    height, width = light.shape[:2]
    rows = clipped[: height * light_factor, : width * light_factor].reshape(height, light_factor, -1)
    clipped = rows.any(axis=1).reshape(height, width, -1).any(axis=2)
    return np.rint(grey).astype(np.uint16), light, clipped, grey_factor, light_factor
