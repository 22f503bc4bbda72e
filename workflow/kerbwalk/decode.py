"""From a photo's full resolution to the working size, and the small pictures that the analyses use."""

import numpy as np

# A crop for steadying and aspect keeps at least this part of the picture's long side, as a rule.
CROP_ALLOWANCE = 1.2
PROXY_SIDE = 1600
LIGHT_SIDE = 400
# From this level on (of 65535) a pixel counts as clipped.
CLIPPED = 64000


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


def proxies(frame):
    """Small pictures of a working frame for motion and light.

    frame: uint16 (height, width, 3), scene-linear balanced camera RGB.
    Returns grey, uint16 (h, w): (R + 2 G + B) / 4 at most 1600 wide or high, for tracking; light, float32
    (h2, w2, 3) at most 400 wide or high; clipped, bool (h2, w2): a pixel of the block is clipped in a channel;
    and the two factors to the working frame.
    """
    side = max(frame.shape[:2])
    grey_factor = -(-side // PROXY_SIDE)
    further = -(-side // (grey_factor * LIGHT_SIDE))
    light_factor = grey_factor * further
    small = averaged(frame, grey_factor)
    grey = small @ np.float32([0.25, 0.5, 0.25])
    light = averaged(small, further)
    height, width = light.shape[:2]
    rows = frame[: height * light_factor, : width * light_factor].reshape(height, light_factor, -1) >= CLIPPED
    clipped = rows.any(axis=1).reshape(height, width, -1).any(axis=2)
    return np.rint(grey).astype(np.uint16), light, clipped, grey_factor, light_factor
