"""Pictures that are known at every point, for tests of what is measured in pictures."""

import numpy as np
import pytest
from hypothesis import settings

# The same examples in every run, and no clock: a shared machine is slow now and then.
settings.register_profile("kerbwalk", derandomize=True, deadline=None, database=None, max_examples=40)
settings.load_profile("kerbwalk")


class Waves:
    """A smooth random texture that is defined by a formula, so that its value at any point, and so any warp of
    it, is exact: a sum of cosines of random direction and phase, with wavelengths from `shortest` to `longest` pixels.
    """

    def __init__(self, seed, shortest=9.0, longest=60.0, count=40):
        rng = np.random.default_rng(seed)
        angle, length = rng.uniform(0, np.pi, count), np.exp(rng.uniform(np.log(shortest), np.log(longest), count))
        self.frequency = (2 * np.pi / length * np.array([np.cos(angle), np.sin(angle)])).astype(np.float32)
        self.phase = rng.uniform(0, 2 * np.pi, count).astype(np.float32)

    def __call__(self, x, y):
        """Values of mean 0 and deviation about 1 at points x, y (arrays of one shape)."""
        total = np.zeros(x.shape, np.float32)
        x, y = np.asarray(x, np.float32), np.asarray(y, np.float32)
        for fx, fy, phase in zip(*self.frequency, self.phase, strict=True):
            total += np.cos(fx * x + fy * y + phase)
        return total * np.float32(np.sqrt(2 / len(self.phase)))

    def seen(self, size, matrix=None, level=12000.0, contrast=3000.0):
        """A picture, float32 (h, w): level + contrast * texture. size: (width, height); matrix: 3x3 homography
        from the texture's plane to the picture, or None for the identity.
        """
        y, x = np.mgrid[: size[1], : size[0]].astype(np.float64)
        if matrix is not None:
            back = np.linalg.inv(matrix)
            w = back[2, 0] * x + back[2, 1] * y + back[2, 2]
            x, y = ((back[k, 0] * x + back[k, 1] * y + back[k, 2]) / w for k in (0, 1))
        return level + contrast * self(x, y)


@pytest.fixture(scope="session")
def waves():
    """The class of known textures: waves(seed).seen((width, height), homography)."""
    return Waves


@pytest.fixture(scope="session")
def turned():
    """A function: the homography K R K^-1 of a camera turned by yaw, pitch, roll (radians), (width, height) given."""

    def homography(size, yaw, pitch, roll, focal=None):
        width, height = size
        focal = focal or 0.65 * np.hypot(width, height)
        camera = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
        cy, sy, cp, sp, cr, sr = (f(a) for a in (yaw, pitch, roll) for f in (np.cos, np.sin))
        about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
        about_x = np.array([[1, 0, 0], [0, cp, -sp], [0, sp, cp]])
        about_z = np.array([[cr, -sr, 0], [sr, cr, 0], [0, 0, 1]])
        return camera @ about_z @ about_x @ about_y @ np.linalg.inv(camera)

    return homography
