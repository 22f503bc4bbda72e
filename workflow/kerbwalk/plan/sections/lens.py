"""The lens: what it sees, the frame of the clip, aim, sharpness, and what a step does."""

import math

from kerbwalk.plan import geometry
from kerbwalk.plan.answers import ASKED, ASSUMED, Answer, PlanError
from kerbwalk.plan.quantities import fraction_words, show
from kerbwalk.plan.request import given
from kerbwalk.plan.sections.exposure import taken_at

USUAL_PARALLAX = 20.0  # pixels of the clip, a hundredth of its width (a matter of taste, no source)


def view(request):
    """The geometry.View of a Request; None without a focal length."""
    if request.focal is None:
        return None
    sensor = request.sensor or geometry.SENSORS["full-frame"]
    margin = _margin(request).value
    return geometry.View(sensor, request.focal, geometry.frame(sensor, request.aspect, margin), request.output)


def _margin(request):
    return given(request.margin, 0.05, "on each side", "what steadying usually takes")


def _heading(request):
    return given(request.heading, 90.0, "degrees", "sideways, the most that parallax can be")


def far_subject(request):
    """The distance of the far subject."""
    return given(request.far, math.inf, "m", "the sky, or the end of the street")


def step_limit(request, view):
    """(metres, because) for pace.solve, or None."""
    if not view or request.near is None:
        return None
    limit = given(request.parallax, USUAL_PARALLAX, "pixels", "")
    step = geometry.step_limit(view, limit.value, request.near, far_subject(request).value, _heading(request).value)
    return (step, f"the longest with {show(limit.value)} pixels of parallax") if math.isfinite(step) else None


def answers(request, view, paced):
    """{name: Answer}."""
    sensor, focal, across = view.sensor, view.focal, view.frame[0]
    size = " x ".join(show(side) for side in sensor)
    sensor_why = "asked" if request.sensor else "the usual full frame"
    found = {
        "sensor": Answer(size, "mm", sensor_why, ASKED if request.sensor else ASSUMED),
        "focal": Answer(focal, "mm", "asked", ASKED),
        "equivalent": Answer(geometry.equivalent(sensor, focal), "mm", "35 mm-equivalent, by the diagonal (EXIF)"),
        "angle_across": Answer(geometry.angle_of_view(sensor[0], focal), "degrees", "2 atan(width / 2 f), whole photo"),
        "angle_upright": Answer(geometry.angle_of_view(sensor[1], focal), "degrees", "2 atan(height / 2 f)"),
        "angle_diagonal": Answer(geometry.angle_of_view(math.hypot(*sensor), focal), "degrees", "corner to corner"),
        "frame_angle": Answer(geometry.angle_of_view(across, focal), "degrees", "across the clip's frame"),
        "margin": _margin(request),
        "frame_part": Answer(across / sensor[0], "of the width", "the clip's frame in the photo"),
        "frame_height": Answer(view.frame[1] / sensor[1], "of the height", "the clip's frame in the photo"),
    }
    return found | _aim(view) | _sharpness(request, view) | _steps(request, view, paced)


def _aim(view):
    across, upright, roll = geometry.aim_limits(view)
    fields = [
        fraction_words((1 - inner / side) / 2 * 3) if side > inner else "0"
        for side, inner in zip(view.sensor, view.frame, strict=True)
    ]
    grid = f"{fields[0]} of a field across, {fields[1]} of a field up or down"
    return {
        "aim_across": Answer(across, "degrees", "atan(spare width / f): the frame stays inside the photo"),
        "aim_upright": Answer(upright, "degrees", "atan(spare height / f)"),
        "aim_roll": Answer(roll, "degrees", "the frame's corners stay inside; each of the three alone"),
        "aim_grid": Answer(grid, "", "the same by the finder's grid of thirds"),
    }


def _sharpness(request, view):
    aperture = taken_at(request)[0]
    if not aperture:
        return {}
    usual = "0.03 mm on 36 x 24 mm, in proportion (common practice)"
    confusion = given(request.blur, geometry.blur(view.sensor), "mm", usual)
    limits = (view.focal, aperture, confusion.value)
    far_focus = geometry.hyperfocal(*limits)
    if request.near is not None:
        focus = geometry.focus_for(request.near, far_subject(request).value)
        focus = given(request.focus, min(focus, far_focus), "m", "near and far alike, not beyond hyperfocal")
    else:
        focus = given(request.focus, far_focus, "m", "the hyperfocal distance")
    if focus.value * 1000 <= 2 * view.focal:
        raise PlanError(f"a focus of {show(focus.value)} m is too near for a lens of {show(view.focal)} mm: give more")
    nearest, farthest = geometry.sharp_range(*limits, focus.value)
    found = {
        "blur": confusion,
        "blur_pixels": Answer(confusion.value / view.frame[0] * view.output, "pixels", "that blur in the clip"),
        "hyperfocal": Answer(far_focus, "m", "f^2 / (N c) + f"),
        "focus": focus,
        "sharp_from": Answer(nearest, "m", "s (H - f) / (H + s - 2 f)"),
        "sharp_to": Answer(farthest, "m", "s (H - f) / (H - s)"),
    }
    if request.near is not None:
        wanted = geometry.aperture_for(view.focal, confusion.value, request.near, far_subject(request).value)
        found["aperture_needed"] = Answer(wanted, "", "f-number from which near and far are both sharp")
    return found


def _steps(request, view, paced):
    if request.near is None:
        return {}
    far, heading = far_subject(request), _heading(request)
    if request.near > far.value:
        raise PlanError(f"near ({show(request.near)} m) lies beyond far ({show(far.value)} m): swap --near and --far")
    hold = given(request.hold, far.value, "m", "as far as the far subject")
    limit = given(request.parallax, USUAL_PARALLAX, "pixels", "a hundredth of the clip's width (taste)")
    longest = geometry.step_limit(view, limit.value, request.near, far.value, heading.value)
    found = {
        "near": Answer(request.near, "m", "asked", ASKED),
        "far": far,
        "hold": hold,
        "heading": heading,
        "parallax_limit": limit,
        "step_limit": Answer(longest, "m", "limit / parallax of a step of 1 m"),
    }
    if "step" in paced:
        step, rests = paced["step"].value, paced["step"].rests_on
        for name, distance in (("near", request.near), ("hold", hold.value), ("far", far.value)):
            if step * math.cos(math.radians(heading.value)) >= distance:
                raise PlanError(f"a step of {show(step)} m reaches {name} at {show(distance)} m: give a shorter --step")
            shift = geometry.shift_per_step(view, step, distance, heading.value)
            found[f"move_{name}"] = Answer(
                shift, "pixels", "f x tan of the turn of a step, before aiming anew", rests_on=rests
            )
        turn = geometry.turn_per_step(step, hold.value, heading.value)
        found["turn"] = Answer(turn, "degrees", "by which the aim at the hold point turns in a step", rests_on=rests)
        moved = geometry.parallax(view, step, request.near, far.value, heading.value)
        why = "step x (1 / near - 1 / far) x f: near against far, in a step"
        found["parallax"] = Answer(moved, "pixels", why, rests_on=rests)
    return found
