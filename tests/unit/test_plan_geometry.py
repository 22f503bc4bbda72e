"""What the lens sees, steps, aim and sharpness, against projections and limits computed in other ways."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from kerbwalk.plan import geometry
from kerbwalk.plan.geometry import View

FULL = geometry.SENSORS["full-frame"]


def view(focal=24.0, sensor=FULL, margin=0.05):
    return View(sensor, focal, geometry.frame(sensor, 16 / 9, margin), 1920)


@pytest.mark.parametrize(
    ("sensor", "part"), [((36, 24), (1, 0.84375)), ((17.3, 12.975), (1, 0.75)), ((20, 10), (0.8889, 1))]
)
def test_the_largest_frame_of_16_to_9(sensor, part):
    frame = geometry.frame(sensor, 16 / 9, 0)
    assert (frame[0] / sensor[0], frame[1] / sensor[1]) == pytest.approx(part, rel=1e-4)
    assert frame[0] / frame[1] == pytest.approx(16 / 9)


def projected(points, camera, facing, focal):
    """Pinhole pictures (n,) across of points (n, 2) on the ground (sideways, ahead), turned to look at `facing`."""
    ahead = np.subtract(facing, camera) / np.linalg.norm(np.subtract(facing, camera))
    across = np.array([ahead[1], -ahead[0]])
    relative = np.subtract(points, camera)
    return focal * (relative @ across) / (relative @ ahead)


@pytest.mark.parametrize("heading", [90, 60, 20])
def test_parallax_of_a_step_agrees_with_two_pictures(heading):
    """Near and far in the middle: against exact projections, the camera aimed at the far one before and after."""
    seen, near, far, step = view(), 8.0, 40.0, 0.02
    towards = math.radians(heading)
    camera = np.array([step * math.sin(towards), step * math.cos(towards)])
    points = [(0.0, near), (0.0, far)]
    moved = projected(points, camera, points[1], seen.focal_pixels)
    parallax = abs(moved[0] - moved[1])
    along = 960 * step * (1 / near - 1 / far) * math.cos(towards)
    assert geometry.parallax(seen, step, near, far, heading) - along == pytest.approx(parallax, rel=0.01)


def test_the_step_limit_gives_just_that_parallax():
    limit = geometry.step_limit(view(), 20, 8, math.inf, 90)
    assert geometry.parallax(view(), limit, 8, math.inf, 90) == pytest.approx(20)
    assert geometry.step_limit(view(), 20, 8, 8, 90) == math.inf


def test_the_turn_of_a_step():
    assert geometry.turn_per_step(1, 1, 90) == pytest.approx(45)
    assert geometry.turn_per_step(0.25, 40, 0) == 0
    assert geometry.shift_per_step(view(), 0.25, 40, 90) == pytest.approx(view().focal_pixels * 0.25 / 40)


@given(st.sampled_from(list(geometry.SENSORS.values())), st.floats(8, 200), st.floats(0.0, 0.4))
def test_a_frame_aimed_off_by_the_limit_touches_the_photo_s_edge(sensor, focal, margin):
    seen = view(focal, sensor, margin)
    across, upright, roll = geometry.aim_limits(seen)
    for angle, side, inner in ((across, sensor[0], seen.frame[0]), (upright, sensor[1], seen.frame[1])):
        assert focal * math.tan(math.radians(angle)) + inner / 2 == pytest.approx(side / 2)

    def corners(degrees):
        turned = np.radians(degrees)
        matrix = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
        box = np.array([[1, 1], [1, -1]]) * np.array(seen.frame) / 2
        return np.abs(box @ matrix.T).max(0) / (np.array(sensor) / 2)

    assert corners(roll).max() <= 1 + 1e-6
    if roll < math.degrees(math.atan2(*sorted(seen.frame))) - 1e-6:
        assert corners(roll + 0.01).max() > 1


@given(st.floats(8, 200), st.floats(1.4, 22), st.floats(0.005, 0.05), st.floats(0.5, 100), st.floats(1.01, 100))
def test_depth_of_field_by_the_thin_lens(focal, aperture, confusion, near, ratio):
    """The blur of points at the limits, traced through a thin lens, is the circle of confusion."""
    focus = near * ratio
    assume(focus * 1000 > 3 * focal)
    nearest, farthest = geometry.sharp_range(focal, aperture, confusion, focus)

    def blur(distance):
        def image(metres):
            return 1 / (1 / focal - 1 / (metres * 1000)) if math.isfinite(metres) else focal

        return focal / aperture * abs(image(distance) - image(focus)) / image(distance)

    assert blur(nearest) == pytest.approx(confusion, rel=1e-6)
    if math.isfinite(farthest):
        assert blur(farthest) == pytest.approx(confusion, rel=1e-4)
    else:
        assert focus >= geometry.hyperfocal(focal, aperture, confusion)
        assert blur(math.inf) <= confusion * (1 + 1e-9)


@given(st.floats(8, 100), st.floats(1.0, 50), st.one_of(st.just(math.inf), st.floats(1.05, 50)))
def test_focus_and_aperture_that_make_near_and_far_sharp(focal, near, ratio):
    far = near * ratio
    focus, aperture = geometry.focus_for(near, far), geometry.aperture_for(focal, 0.03, near, far)
    nearest, farthest = geometry.sharp_range(focal, aperture, 0.03, focus)
    assert nearest == pytest.approx(near)
    assert farthest > 1e6 if math.isinf(far) else farthest == pytest.approx(far, rel=1e-6)
