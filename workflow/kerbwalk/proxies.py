"""Small pictures of a working frame, for motion and light."""

import numpy as np

from kerbwalk.compiled import compiled

PROXY_SIDE = 1600
LIGHT_SIDE = 400
QUARTER, HALF, WHITE = np.float32(0.25), np.float32(0.5), np.float32(65535)


def proxies(frame, clipped, full):
    """The small pictures of a working frame.

    frame: uint16 (height, width, 3), scene-linear balanced camera RGB; clipped: bool (height, width);
    full: kerbwalk.decode.full_levels(). All are brought to the level at which the channel that is full first is 65535.
    Returns grey, uint16 (h, w): (R + 2 G + B) / 4 at most 1600 wide or high, for tracking; light, float32
    (h2, w2, 3) at most 400 wide or high; clipped, bool (h2, w2): a pixel of the block is clipped in a channel;
    and the two factors to the working frame. All are area averages over whole blocks; rows and columns that fill none
    are left off.
    """
    side = max(frame.shape[:2])
    grey_factor = -(-side // PROXY_SIDE)
    further = -(-side // (grey_factor * LIGHT_SIDE))
    light_factor = grey_factor * further
    height, width = frame.shape[:2]
    grey = np.empty((height // grey_factor, width // grey_factor), np.uint16)
    light = np.zeros((height // light_factor, width // light_factor, 3), np.float32)
    _average(frame, np.float32(WHITE / full.min()), grey_factor, further, grey, light)
    rows = clipped[: len(light) * light_factor, : light.shape[1] * light_factor].reshape(len(light), light_factor, -1)
    clipped = rows.any(axis=1).reshape(*light.shape[:2], light_factor).any(axis=2)
    return grey, light, clipped, grey_factor, light_factor


@compiled
def _average(frame, scale, factor, further, grey, light):
    share = scale / np.float32(factor * factor)
    part = np.float32(1) / np.float32(further * further)
    line = np.empty(3 * grey.shape[1] * factor, np.float32)
    blocks = np.empty((grey.shape[1], 3), np.float32)
    for y in range(grey.shape[0]):
        line[:] = 0
        for j in range(factor):
            samples = frame[y * factor + j].reshape(-1)
            for k in range(np.uint64(len(line))):
                line[k] += np.float32(samples[k])
        blocks[:] = 0
        for x in range(np.uint64(len(blocks))):
            for i in range(np.uint64(factor)):
                for channel in range(np.uint64(3)):
                    blocks[x, channel] += line[np.uint64(3) * (x * np.uint64(factor) + i) + channel]
        for x in range(np.uint64(len(blocks))):
            for channel in range(np.uint64(3)):
                blocks[x, channel] *= share
            red, green, blue = blocks[x]
            grey[y, x] = np.uint16(min((red + blue) * QUARTER + green * HALF, WHITE) + HALF)
        if y // further < light.shape[0]:
            lit = light[y // further]
            for u in range(np.uint64(len(lit))):
                for x in range(u * np.uint64(further), (u + np.uint64(1)) * np.uint64(further)):
                    for channel in range(np.uint64(3)):
                        lit[u, channel] += part * blocks[x, channel]
