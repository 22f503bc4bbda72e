"""What a quick look at the sensor data tells, without interpolating them: for the audit, at the kerb."""

import cv2
import numpy as np

from kerbwalk.compiled import compiled

# Blocks of the mosaic become one pixel each, so that the long side is at least this; all is measured on that.
SIDE = 1200
# What is kept of it is reduced again, to a long side of at most this.
SMALL_SIDE = 640
# Tiles of the picture, across the long side, in which detail is measured.
TILES = 12
# Sensor values from this part of the range on are clipped.
CLIPPED = 0.985
# Every period-th pixel over so many with the very same value are no photograph. Bright ones may be: some sensors are
# full below their nominal white; and so may black ones.
RUN = 96


def glance(sensor, black, white, period, turns):
    """A small picture and some measures of a photo.

    sensor: uint16 (h, w), the mosaic as it lies; black, white: levels, in its units; period: of the colour
    pattern, in pixels (2 for Bayer's); turns: quarter turns anticlockwise that bring it upright.
    Returns a dict:
      small    float16 (h, w), upright: light of all colours together, 1 at the sensor's white
      detail   float32 (2, rows, columns), upright: energy of the gradient across and down in each tile, of the
               square root of the light, where photon noise is even (Anscombe 1948)
      level    mean light, stops below white
      bright   light that only 1 in 100 pixels exceeds, stops below white
      clipped  part of the sensor's pixels that are clipped
      broken   part of the sensor's pixels with values that no sensor gives: long runs of one value, or far
               above white
    """
    factor = max(1, max(sensor.shape) // (SIDE * period)) * period
    picture, clipped, broken = _looked(
        sensor, factor, period, round(black), round(white), round(black + CLIPPED * (white - black))
    )
    picture = np.ascontiguousarray(np.rot90(picture, turns))
    again = -(-max(picture.shape) // SMALL_SIDE)
    height, width = (n // again for n in picture.shape)
    small = picture[: height * again, : width * again].reshape(height, again, width, again).mean((1, 3))
    return {
        "small": small.astype(np.float16),
        "detail": _detail(picture),
        "level": float(np.log2(max(float(picture.mean()), 1e-6))),
        "bright": float(np.log2(max(float(np.percentile(small, 99)), 1e-6))),
        "clipped": clipped / sensor.size,
        "broken": broken / sensor.size,
    }


def tiles(shape):
    """(rows, columns) of tiles in a picture of (height, width)."""
    return tuple(max(1, round(TILES * n / max(shape))) for n in shape)


def _detail(picture):
    root = cv2.GaussianBlur(np.sqrt(np.maximum(picture, 0)), (0, 0), 0.7)
    rows, columns = tiles(picture.shape)
    height, width = picture.shape[0] // rows * rows, picture.shape[1] // columns * columns
    across = np.zeros_like(root)
    across[:, 1:-1] = root[:, 2:] - root[:, :-2]
    down = np.zeros_like(root)
    down[1:-1] = root[2:] - root[:-2]
    energy = np.stack([across, down])[:, :height, :width] ** 2
    return energy.reshape(2, rows, height // rows, columns, width // columns).mean((2, 4), dtype=np.float32)


@compiled
def _looked(sensor, factor, period, black, white, clip_from):
    """The blocks' mean light, and the counts of clipped and of impossible values."""
    height, width = sensor.shape[0] // factor, sensor.shape[1] // factor
    picture = np.empty((height, width), np.float32)
    scale = np.float32(1) / (np.float32(factor * factor) * np.float32(white - black))
    offset = np.float32(factor * factor * black)
    highest = white + (white - black) // 50
    used = width * factor
    total = np.empty(used, np.int32)
    clipped = 0
    broken = 0
    for y in range(height):
        total[:] = 0
        for line in sensor[y * factor : y * factor + factor, :used]:
            hits = np.int32(0)
            for x in range(used):
                value = np.int32(line[x])
                total[x] += value
                hits += np.int32(value >= clip_from)
            clipped += hits
            broken += _one_value(line, period, black, (black + white) // 2, highest)
        for column in range(width):
            block = np.int32(0)
            for x in range(column * factor, column * factor + factor):
                block += total[x]
            picture[y, column] = (np.float32(block) - offset) * scale
    return picture, clipped, broken


@compiled
def _one_value(line, period, black, bright, highest):
    """How many pixels of a row belong to long runs of one value in every period-th pixel; runs go along rows, as
    files are written. Looked for at every third of the length sought, which no such run escapes."""
    found = 0
    step = RUN // 3
    end = 0
    for x in range(0, len(line) - 3 * period, step):
        value = line[x]
        if x < end or value == black or bright <= value <= highest:
            continue
        if value == line[x + period] and value == line[x + 2 * period] and value == line[x + 3 * period]:
            start, end = x, x + 3 * period
            while start >= period and line[start - period] == value:
                start -= period
            while end + period < len(line) and line[end + period] == value:
                end += period
            if end - start >= RUN:
                found += end - start
    return found
