"""What the lens sees, how far a step may be, how exactly to aim, what is sharp, and the frame inside the photo.

A thin lens, focused far away against its focal length, so that the picture forms at the focal length (pinhole). Lengths
on the sensor in mm, in the world in m, in the clip in pixels of its frame.
"""

import math
from dataclasses import dataclass

# (width, height) in mm, as makers print them.
SENSORS = {
    "full-frame": (36.0, 24.0),
    "aps-c": (23.5, 15.6),
    "four-thirds": (17.3, 13.0),
    "1-inch": (13.2, 8.8),
    "44x33": (43.8, 32.9),
}
# Blur that passes for sharp: 0.03 mm on 36 x 24 mm, smaller sensors in proportion of the diagonal (common practice).
BLUR_35MM = 0.03


@dataclass(frozen=True)
class View:
    """A camera and the clip's frame in its photos.

    sensor: (width, height) mm; focal: mm; frame: (width, height) of the clip's frame on the sensor, mm; output: its
    width in pixels.
    """

    sensor: tuple[float, float]
    focal: float
    frame: tuple[float, float]
    output: int

    @property
    def focal_pixels(self):
        """The focal length in pixels of the clip."""
        return self.focal / self.frame[0] * self.output


def frame(sensor, aspect, margin):
    """(width, height) in mm of the clip's frame: the largest of the aspect (width over height), less a margin.

    margin: part of the largest frame's width and height to keep free on each side for steadying, below 0.5.
    """
    width = min(sensor[0], sensor[1] * aspect)
    return width * (1 - 2 * margin), width / aspect * (1 - 2 * margin)


def angle_of_view(size, focal):
    """Degrees seen across `size` mm of the sensor: 2 atan(size / 2 f), focused far away."""
    return math.degrees(2 * math.atan(size / (2 * focal)))


def equivalent(sensor, focal):
    """35 mm-equivalent focal length as EXIF has it (CIPA DC-008, FocalLengthIn35mmFilm), by the diagonal, mm."""
    return focal * math.hypot(36, 24) / math.hypot(*sensor)


def turn_per_step(step, hold, heading):
    """Degrees that the aim at the hold point turns in a step.

    step, hold (its distance before the step): m; heading: degrees between the walk and the line to the hold point, 90
    for sideways, 0 for straight towards it.
    """
    across, along = step * math.sin(math.radians(heading)), step * math.cos(math.radians(heading))
    return math.degrees(math.atan2(across, hold - along))


def shift_per_step(view, step, distance, heading):
    """Pixels of the clip that something in the picture's middle, `distance` m away, moves in a step without new aim."""
    return view.focal_pixels * math.tan(math.radians(turn_per_step(step, distance, heading)))


def parallax(view, step, near, far, heading):
    """Pixels of the clip by which something near moves against something far in a step, at most.

    near, far: m, far may be infinite. To first order in the step, where it is greatest: a step across moves a point at
    depth z by f / z times the step, a step along moves one at height u in the picture by u / z times the step (motion
    field of a moving pinhole camera: Longuet-Higgins & Prazdny 1980, Trucco & Verri 1998, 8.2). Turning the camera
    moves near and far alike, so that no steadying by turns takes this away.
    """
    across, along = math.sin(math.radians(heading)), abs(math.cos(math.radians(heading)))
    return step * (1 / near - 1 / far) * (view.focal_pixels * across + view.output / 2 * along)


def step_limit(view, limit, near, far, heading):
    """The step in m whose parallax is `limit` pixels of the clip; infinite where near and far are alike."""
    unit = parallax(view, 1.0, near, far, heading)
    return limit / unit if unit > 0 else math.inf


def aim_limits(view):
    """How far the aim may be off, alone, with the clip's frame still inside the photo.

    Returns degrees (across, up or down, roll).
    """
    spare = [(side - inner) / 2 for side, inner in zip(view.sensor, view.frame, strict=True)]
    across, upright = (math.degrees(math.atan(part / view.focal)) for part in spare)
    return across, upright, _roll_limit(view.sensor, view.frame)


def _roll_limit(outer, inner):
    """Degrees that a rectangle `inner`, both (width, height), may turn about the middle of `outer` and stay inside."""

    def stays(angle):
        cosine, sine = math.cos(angle), math.sin(angle)
        return (
            inner[0] * cosine + inner[1] * sine <= outer[0] + 1e-9
            and inner[1] * cosine + inner[0] * sine <= outer[1] + 1e-9
        )

    # Of a rectangle's corners the worse grows until the diagonal lies along a side: up to there bisection holds.
    inside, outside = 0.0, math.atan2(min(inner), max(inner))
    if stays(outside):
        return math.degrees(outside)
    for _ in range(50):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if stays(middle) else (inside, middle)
    return math.degrees(inside)


def blur(sensor):
    """The usual circle of confusion in mm, see BLUR_35MM."""
    return BLUR_35MM * math.hypot(*sensor) / math.hypot(36, 24)


def hyperfocal(focal, aperture, confusion):
    """m; H = f^2 / (N c) + f (Ray, Applied Photographic Optics, 3rd ed. 2002, chapter on depth of field; from memory).

    focal, confusion (circle of confusion): mm; aperture: f-number.
    """
    return (focal**2 / (aperture * confusion) + focal) / 1000


def sharp_range(focal, aperture, confusion, focus):
    """(nearest, farthest) distance in m that is sharp when focused at `focus` m, farthest infinite from H on.

    s (H - f) / (H + s - 2 f) and s (H - f) / (H - s), thin lens (Ray 2002, as above; from memory).
    """
    far_focus, short = hyperfocal(focal, aperture, confusion), focal / 1000
    nearest = focus * (far_focus - short) / (far_focus + focus - 2 * short)
    farthest = focus * (far_focus - short) / (far_focus - focus) if focus < far_focus else math.inf
    return nearest, farthest


def focus_for(near, far):
    """The distance in m to focus at so that near and far are equally sharp: 2 n f / (n + f), thin lens."""
    return 2 * near if math.isinf(far) else 2 * near * far / (near + far)


def aperture_for(focal, confusion, near, far):
    """The f-number from which on both near and far (m) are sharp, focused by focus_for; the limits of sharp_range
    solved for N. far may be infinite."""
    short = focal / 1000
    if math.isinf(far):
        return focal**2 / confusion / (2 * near - short) / 1000
    return focal**2 / confusion * (far - near) / (far * (near - short) + near * (far - short)) / 1000
