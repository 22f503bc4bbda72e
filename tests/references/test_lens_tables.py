"""Angles of view and depth of field, to the digits printed in

- a table of angles of view for 36 x 24 mm, rectilinear lenses at infinity (Claff 2006);
- a worked example of a handbook, Photography (Basic), U.S. Navy training manual NAVEDTRA 14209: a 6.1 inch lens at
  f/2.8, circle of confusion 0.002 inch, focused at 10 feet;
- the Lens FAQ (Jacobson 1995): focused at an eighth of the hyperfocal distance, 8/9 to 8/7 of the distance is sharp;
- EXIF's 35 mm-equivalent (CIPA DC-008): by the diagonal of 36 x 24 mm, 43.27 mm.
"""

import math

import pytest

from kerbwalk.plan import geometry

ANGLES = {  # focal length: width, height, diagonal
    14: (104.3, 81.2, 114.2),
    20: (84.0, 61.9, 94.5),
    24: (73.7, 53.1, 84.1),
    28: (65.5, 46.4, 75.4),
    35: (54.4, 37.8, 63.4),
    50: (39.6, 27.0, 46.8),
    85: (23.9, 16.1, 28.6),
    105: (19.5, 13.0, 23.3),
}
FOOT, INCH = 0.3048, 25.4  # m, mm


@pytest.mark.parametrize("focal", ANGLES)
def test_angles_of_view(focal):
    found = [geometry.angle_of_view(size, focal) for size in (36, 24, math.hypot(36, 24))]
    assert tuple(round(angle, 1) for angle in found) == ANGLES[focal]


def test_the_handbook_s_hyperfocal_distance_and_depth_of_field():
    lens = (6.1 * INCH, 2.8, 0.002 * INCH)
    assert f"{geometry.hyperfocal(*lens) / FOOT:.0f}" == "554"
    assert [f"{limit / FOOT:.1f}" for limit in geometry.sharp_range(*lens, 10 * FOOT)] == ["9.8", "10.2"]


def test_an_eighth_of_the_hyperfocal_distance():
    lens = (24.0, 8.0, 0.03)
    focus = geometry.hyperfocal(*lens) / 8
    nearest, farthest = geometry.sharp_range(*lens, focus)
    # the FAQ leaves out the focal length, a fourteenth of this focus distance at most
    assert nearest / focus == pytest.approx(8 / 9, rel=0.01)
    assert farthest / focus == pytest.approx(8 / 7, rel=0.01)


def test_focused_at_the_hyperfocal_distance_half_of_it_to_infinity_is_sharp():
    lens = (35.0, 11.0, 0.03)
    focus = geometry.hyperfocal(*lens)
    assert geometry.sharp_range(*lens, focus) == (pytest.approx(focus / 2), math.inf)


EQUIVALENT = [("full-frame", 24, 24), ("four-thirds", 12, 24), ("aps-c", 18, 28)]


@pytest.mark.parametrize(("sensor", "focal", "expected"), EQUIVALENT)
def test_equivalent_focal_lengths(sensor, focal, expected):
    assert round(geometry.equivalent(geometry.SENSORS[sensor], focal)) == expected
