"""The audit warns of lenses wider than about 25 mm: what of that is deserved, on the cameras of the demo's walks.

That such lenses are hard to stabilise is common practice, no source. A corner is moved by a turn the more the wider the
lens is: with 1 / cos^2 of its angle from the axis.
"""

import numpy as np

from demo import walk
from demo.walk import ShootSpec
from kerbwalk import steady
from kerbwalk.homography import jacobian, transfer

SIZE = (90, 60)  # so that the town is painted quickly
# Pixels of the clip for one of the photo; how much a corner of the clip lies inside the photo's.
TO_CLIP, INSIDE = 1920 / SIZE[0], 0.05


def aims(film_mm):
    """(K, hold point (2,), homographies from the reference to each photo) of a loose walk, its turns alone."""
    spec = ShootSpec(size=SIZE, frames=24, film_mm=film_mm, aim_sigma_deg=0.6, roll_sigma_deg=0.5, step_m=0.0)
    camera, turns = walk.lens(spec), np.array([walk.pose(spec, k)[0] for k in range(spec.frames)])
    middle = turns[spec.frames // 2]
    rotation, shift = walk.pose(spec, spec.frames // 2)
    hold = camera @ (rotation @ walk.town_of(spec).hold + shift)
    return camera, hold[:2] / hold[2], [camera @ turn @ middle.T @ np.linalg.inv(camera) for turn in turns]


def left(film_mm):
    """What stays of the aims' errors in the corners, RMS in pixels of the clip: when each photo is shifted and turned
    back in its plane, as plain stabilising does, and when the camera's turn is undone.
    """
    camera, hold, photos = aims(film_mm)
    low, high = np.array(SIZE) * INSIDE, np.array(SIZE) * (1 - INSIDE)
    corners = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    plain, turned = [], []
    for matrix in photos:
        seen, slope = transfer(matrix, hold[None])[0], jacobian(matrix, hold)
        # in the plane: the rotation next to the slope, and nothing else
        one, _, other = np.linalg.svd(slope)
        plain.append((transfer(matrix, corners) - seen) @ (one @ other) + hold - corners)
        down = slope @ [0, 1]
        back = steady.rotation_to(seen, np.arctan2(-down[0], down[1]), hold, camera)
        turned.append(transfer(back @ matrix, corners) - corners)
    return [TO_CLIP * np.sqrt(np.square(error).sum(axis=2).mean()) for error in (plain, turned)]


def test_a_wide_lens_is_hard_to_stabilise_but_by_its_cameras_turns():
    (plain, turned), (usual, usual_turned) = left(16), left(27)
    assert 7 < usual < 11
    assert plain > 1.6 * usual
    assert turned < 0.01 * plain and usual_turned < 0.01 * usual
