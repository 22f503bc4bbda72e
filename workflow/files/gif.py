"""A GIF's pictures, in one palette for the clip: one a frame would flicker.

FFmpeg's own dither keeps whole steps of error alone, which in the dark is much (up to 1.6 of colour difference in
patches of 48 pixels).
"""

import numpy as np

from files import ffmpeg
from kerbwalk import colour, palette


def write(recipe, pictures, encoder):
    """Encode pictures. pictures: a function that gives them, uint16 (h, w, 3), sRGB; encoder: FFmpeg's arguments."""
    light = colour.srgb_to_light(np.arange(65536) / 65535).astype(np.float32)
    exact = palette.chosen(*palette.cells(light[picture] for picture in pictures()))
    # Of 256 levels the one with the nearest light.
    colours = np.searchsorted((light[257:][::257] + light[:-257:257]) / 2, exact).astype(np.uint8)
    # As FFmpeg has palettes: blue, green, red, opaqueness; the last is what stays as it was.
    entries = np.zeros((256, 4), np.uint8)
    entries[: len(colours), :3], entries[: len(colours), 3] = colours[:, ::-1], 255
    places = np.empty(recipe["size"][::-1], np.uint8)
    with ffmpeg.writer(recipe["size"], "pal8", recipe["rate"], *encoder) as output:
        for k, picture in enumerate(pictures()):
            palette.lay(light[picture], light[257 * colours.astype(np.uint16)], places, k > 0)
            output(places.tobytes() + entries.tobytes())
