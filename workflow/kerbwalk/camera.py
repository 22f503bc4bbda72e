"""From a camera's RGB to the working space, as the DNG specification maps camera colour.

Source: Digital Negative Specification 1.7, chapter 6, "Mapping Camera Color Space to CIE XYZ Space" (its formulas
from memory, checked in tests/references). A camera's colour is a dict, as ingest.json keeps it, of which only the
first two are needed:

  kelvin            correlated colour temperatures of the calibration lights, one or two
  xyz_to_camera     a 3x3 matrix for each (ColorMatrix1, 2): CIE XYZ to camera RGB
  calibration       a 3x3 matrix for each (CameraCalibration1, 2): of this very camera
  camera_to_d50     a 3x3 matrix for each (ForwardMatrix1, 2): balanced camera RGB to XYZ adapted to D50
  analog            three gains (AnalogBalance)
"""

import numpy as np

from kerbwalk import colour


def at(camera, kelvin):
    """XYZ to camera RGB (3x3) under a light of this temperature; the part of it that is the camera's own
    (calibration and analog gains, 3x3); balanced camera RGB to XYZ under D50 (3x3) or None.

    Two calibrations are mixed linearly in 1 / kelvin, and not beyond either.
    """
    lights = 1 / np.asarray(camera["kelvin"], float)
    share = 0.0
    if len(lights) == 2 and lights[0] != lights[1]:
        share = float(np.clip((1 / kelvin - lights[0]) / (lights[1] - lights[0]), 0, 1))

    def mixed(matrices):
        return np.asarray(matrices[0], float) * (1 - share) + np.asarray(matrices[-1], float) * share

    own = np.diag(camera.get("analog") or [1.0, 1.0, 1.0])
    if camera.get("calibration"):
        own = own @ mixed(camera["calibration"])
    forward = None
    if camera.get("camera_to_d50"):
        forward = mixed(camera["camera_to_d50"])
        # A row sum that is rounded would tint the white.
        forward = np.diag(colour.xy_to_xyz(colour.D50) / forward.sum(axis=1)) @ forward
    return own @ mixed(camera["xyz_to_camera"]), own, forward


def neutral_of(camera, white):
    """Camera RGB (3,), green 1, of a grey under a light of chromaticity xy."""
    seen = at(camera, colour.kelvin_of(white))[0] @ colour.xy_to_xyz(white)
    return seen / seen[1]


def white_of(camera, neutral):
    """The chromaticity xy of the light under which a grey has this camera RGB.

    By iteration, as the matrix depends on the light's temperature, which depends on the chromaticity. Where that
    swings between two lights their middle is taken. Raises ValueError where no light can look like that.
    """
    last = xy = np.array(colour.D50)
    for _ in range(30):
        last = xy
        xyz = np.linalg.solve(at(camera, colour.kelvin_of(last))[0], np.asarray(neutral, float))
        if not xyz.min() > 0:
            raise ValueError(f"no light makes a grey {np.round(neutral, 3).tolist()} in this camera's RGB")
        xy = xyz[:2] / xyz.sum()
        if np.abs(xy - last).sum() < 1e-7:
            return xy
    return (xy + last) / 2


def to_working(camera, white):
    """3x3 from camera RGB (green of a grey under `white`, a chromaticity xy, being its level) to the working space.

    What is grey under that light comes out grey, at its green's level. Without a forward matrix the light is
    adapted by the linear Bradford transform (Lam 1985; ICC.1:2010, annex E), as the specification asks.
    """
    matrix, own, forward = at(camera, colour.kelvin_of(white))
    neutral = neutral_of(camera, white)
    if forward is None:
        to_xyz = colour.adaptation(white, colour.D65) @ np.linalg.inv(matrix)
    else:
        to_xyz = colour.adaptation(colour.D50, colour.D65) @ forward
        to_xyz = to_xyz @ np.diag(1 / np.linalg.solve(own, neutral)) @ np.linalg.inv(own)
    working = colour.XYZ_TO_WORKING @ to_xyz
    return working / (working @ neutral)[1]
