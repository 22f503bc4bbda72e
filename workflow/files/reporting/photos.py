"""The photos as they were taken: under the shoot's look, without gain and without steadying, from the proxies."""

import contextlib

import cv2
import numpy as np
import PyOpenColorIO as ocio

from files import ffmpeg
from kerbwalk import report
from kerbwalk.moves import moved

# Steps a side of the look's cube, and the light that it reaches to: lamps lie above the look's 1.
CUBE, TOP = 48, 4


class AsTaken:
    """A shoot's photos as taken. Pictures are uint8 (h, w, 3), the signal of a BT.1886 display."""

    def __init__(self, proxies, look):
        """proxies: files.proxies.Proxies; look: files.look.processor()."""
        self.proxies, self._cube = proxies, cube(look)

    def small(self, name):
        """A whole photo at the size of the light proxies."""
        return self._shown(self.proxies.light(name)[0] / np.float32(report.WHITE))

    def fine(self, name, width):
        """A whole photo, at most `width` wide: colour from the light proxy, detail from the grey one.

        The colour is scaled by grey over smoothed grey in linear light, as pictures of satellites are sharpened
        (the Brovey transform, from memory).
        """
        grey, light = self.proxies.grey(name).astype(np.float32), self.proxies.light(name)[0]
        # The light proxy may cover a few rows and columns less.
        factor = self.proxies.light_scale / self.proxies.grey_scale
        covered = [round(factor * side) for side in light.shape[:2]]
        grey = grey[: covered[0], : covered[1]]
        width = min(width, grey.shape[1])
        size = (width, round(width * grey.shape[0] / grey.shape[1]))
        smooth = cv2.resize(grey, light.shape[1::-1], interpolation=cv2.INTER_AREA)
        sharp = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        detail = (sharp + 1) / (cv2.resize(smooth, size, interpolation=cv2.INTER_LINEAR) + 1)
        light = cv2.resize(light, size, interpolation=cv2.INTER_LINEAR) / np.float32(report.WHITE)
        return self._shown(light * np.minimum(detail, 4)[..., None])

    def in_crop(self, picture, crop, size):
        """The part of a whole photo's picture that lies in a crop of the steadied plane, as if it had been steady.

        crop: (left, top, width, height), edges in photo pixels; size: (width, height) of the result.
        """
        scale = self._covered(picture)
        step = np.array([crop[2] / size[0], crop[3] / size[1]]) / scale
        start = (np.array(crop[:2]) + 0.5) / scale + step / 2 - 0.5
        matrix = np.array([[step[0], 0, start[0]], [0, step[1], start[1]]])
        return cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)

    @contextlib.contextmanager
    def clip(self, path, warps, framing, rate):
        """The unprocessed clip, as a function of a frame's number and its photo's small(): it writes that frame, cut as
        the clip is. rate: frames a second, as a fraction.
        """
        width = 2 * round(framing["crop"][2] / self.proxies.light_scale / 2)
        size = (width, 2 * round(width * framing["output"][1] / framing["output"][0] / 2))
        with ffmpeg.writer(size, "rgb24", rate, *ffmpeg.SMALL_H264, path) as write:
            yield lambda k, picture: write(self.in_crop(picture, self.crop(warps, framing, k), size))

    def crop(self, warps, framing, k):
        """The crop of the clip's frame k."""
        return moved(framing["crop"], warps["hold"], framing["moves"][k]) if framing["moves"] else framing["crop"]

    def _covered(self, picture):
        """Photo pixels to one of the picture's."""
        return self.proxies.light_scale * self.proxies.light_shape[1] / picture.shape[1]

    def _shown(self, light):
        """Light under the look, by a cube of it: right to about a step of 255."""
        rgb = np.sqrt(np.sqrt(np.maximum(light / np.float32(TOP), 0)))
        self._cube.applyRGB(rgb)
        return as_bytes(rgb)


def cube(look):
    """A look as a cube over the fourth root of its input: a fifth of the time for pictures that are only glanced at."""
    steps = TOP * np.linspace(0, 1, CUBE, dtype=np.float32) ** 4
    # Red counts slowest, as OpenColorIO has it.
    values = np.ascontiguousarray(np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), -1))
    look.applyRGB(values)
    baked = ocio.Lut3DTransform(gridSize=CUBE)
    baked.setData(values.ravel())
    baked.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    return ocio.Config.CreateRaw().getProcessor(baked).getDefaultCPUProcessor()


def as_bytes(rgb):
    """A signal, 0 to 1, in 8 bits."""
    return np.rint(np.clip(rgb, 0, 1) * 255).astype(np.uint8)


def mostly(frame):
    """The photo that a frame [(photo, share), ...] is mostly made of."""
    return max(frame, key=lambda part: part[1])[0]
