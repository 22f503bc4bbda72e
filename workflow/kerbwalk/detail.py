"""Local contrast: what is finer than a region is raised, while edges between regions stay as they are.

The picture's log light is parted into a base and its detail by the guided filter with itself as guide (He, Sun & Tang
2013, "Guided image filtering"; on a reduced picture, as in He & Sun 2015, "Fast guided filter"), which follows edges
and so leaves no halos about lamps and roofs. Nothing is measured over the whole picture, and the numbers below never
change: so equal places of two frames are treated equally, and nothing can flicker.
"""

import cv2
import numpy as np

# The region's half side, as a part of the picture's height; an edge is a step of so many stops; darker than this part
# of white there is only noise, which is not raised.
REGION, EDGE, DARK = 0.03, 1.0, 0.002
STEP = 4


def raise_contrast(rgb, amount):
    """Multiply each pixel by what its detail asks for, in place.

    rgb: float32 (h, w, 3), scene-linear; amount: how much of the detail is added, 0 for nothing, 1 to double it.
    """
    light = np.log2(np.maximum(rgb @ np.float32([0.25, 0.5, 0.25]), 0) + np.float32(DARK))
    height, width = light.shape
    small = cv2.resize(light, (-(-width // STEP), -(-height // STEP)), interpolation=cv2.INTER_AREA)
    side = 2 * max(1, round(REGION * height / STEP)) + 1

    def mean(picture):
        return cv2.boxFilter(picture, -1, (side, side), borderType=cv2.BORDER_REFLECT)

    around = mean(small)
    spread = mean(small * small) - around * around
    slope = spread / (spread + np.float32(EDGE / 2) ** 2)
    slope, offset = (cv2.resize(mean(p), (width, height)) for p in (slope, around * (1 - slope)))
    change = light - (slope * light + offset)
    rgb *= np.exp2(np.float32(amount) * change)[..., None]
