"""What a quick look at the sensor data tells, without interpolating them: for the audit, at the kerb."""

import cv2
import numpy as np

from kerbwalk.compiled import compiled
from kerbwalk.decode import averaged
from kerbwalk.pixels import tiles

# Blocks of the mosaic become one pixel each, so that the long side is at least this; all is measured on that.
SIDE = 1200
# What is kept of it is reduced again, to a long side of at most this.
SMALL_SIDE = 640
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
      level    mean light, stops, 0 at white
      bright   light that only 1 in 100 pixels exceeds, stops, 0 at white
      clipped  part of the sensor's pixels that are clipped
      broken   part of the sensor's pixels with values that no sensor gives: long runs of one value, or far
               above white
    """
    factor = max(1, max(sensor.shape) // (SIDE * period)) * period
    picture, clipped, broken = _looked(
        sensor, factor, period, round(black), round(white), round(black + CLIPPED * (white - black))
    )
    picture = np.ascontiguousarray(np.rot90(picture, turns))
    small = averaged(picture, -(-max(picture.shape) // SMALL_SIDE))
    return {
        "small": small.astype(np.float16),
        "detail": _detail(picture),
        "level": float(np.log2(max(float(picture.mean()), 1e-6))),
        "bright": float(np.log2(max(float(np.percentile(small, 99)), 1e-6))),
        "clipped": clipped / sensor.size,
        "broken": broken / sensor.size,
    }


def _detail(picture):
    root = cv2.GaussianBlur(np.sqrt(np.maximum(picture, 0)), (0, 0), 0.7)
    rows, columns = tiles(picture.shape)
    across, down = np.zeros((2, *root.shape), np.float32)
    np.subtract(root[:, 2:], root[:, :-2], out=across[:, 1:-1])
    np.subtract(root[2:], root[:-2], out=down[1:-1])
    whole = np.s_[: root.shape[0] // rows * rows, : root.shape[1] // columns * columns]
    # Each tile's mean: the areas are whole pixels.
    return np.stack(
        [cv2.resize(np.square(way[whole]), (columns, rows), interpolation=cv2.INTER_AREA) for way in (across, down)]
    )


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
        for k in range(y * factor, y * factor + factor):
            line = sensor[k, :used]
            hits = np.int32(0)
            for x in range(np.uint64(used)):
                value = np.int32(line[x])
                total[x] += value
                hits += np.int32(value >= clip_from)
            clipped += hits
            broken += _one_value(line, period, black, (black + white) // 2, highest)
        for column in range(width):
            block = np.int32(0)
            for x in range(np.uint64(column * factor), np.uint64(column * factor + factor)):
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
