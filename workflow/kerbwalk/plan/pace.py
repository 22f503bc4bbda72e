"""How many photos, how often, how long, how far: everything that hangs together by

    clip     = photos / frame rate
    interval = shutter + time to move        (twice the shutter with long-exposure noise reduction)
    minutes  = photos x interval             (each photo with its move)
    walk     = (photos - 1) x step

(definitions, no source needed). These four lines are stated once, in relations(); whatever is not given is found from
them, and what is given too often is checked against them.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from kerbwalk.plan.answers import ASKED, ASSUMED, FOUND, Answer, PlanError
from kerbwalk.plan.quantities import show

UNITS = {
    "clip": "s",
    "fps": "frames/s",
    "photos": "",
    "shutter": "s",
    "move": "s",
    "interval": "s",
    "minutes": "min",
    "walk": "m",
    "step": "m",
}
WORDS = {
    "clip": "a clip of {} s",
    "fps": "{} frames a second",
    "photos": "{} photos",
    "shutter": "a shutter of {} s",
    "move": "{} s to move",
    "interval": "an interval of {} s",
    "minutes": "{} minutes",
    "walk": "a walk of {} m",
    "step": "steps of {} m",
}
# What is taken where nothing says otherwise, in the order in which it is tried (common practice, no source).
USUAL = {
    "shutter": (3.0, "a second or more turns movement to a blur"),
    "move": (10.0, "common with a tripod"),
    "photos": (120, "5 s at 24 frames a second"),
}
FEWEST, MOST = 2, 100_000
# Numbers come typed, with a few digits: what differs by less than this is the same.
TOLERANCE = 1e-6


@dataclass(frozen=True)
class Relation:
    """Three quantities that hang together: how each follows from the other two, by number and in words.

    asked_for: the one that, given by the user, is a wish for whole photos to come near (see _met), or "".
    """

    find: dict[str, Callable[[dict], float]]
    words: dict[str, str]
    asked_for: str = ""


def relations(noise_reduction):
    """The four of the module's head. noise_reduction: whether the camera takes a dark frame after each photo."""
    times = 2 if noise_reduction else 1
    exposed = "2 x shutter (long-exposure noise reduction)" if noise_reduction else "shutter"
    return (
        Relation(
            {
                "photos": lambda q: math.ceil(q["clip"] * q["fps"] - TOLERANCE),
                "fps": lambda q: q["photos"] / q["clip"],
                "clip": lambda q: q["photos"] / q["fps"],
            },
            {
                "photos": "clip x frame rate, rounded up to whole photos",
                "fps": "photos / clip",
                "clip": "photos / frame rate",
            },
            asked_for="clip",
        ),
        Relation(
            {
                "interval": lambda q: times * q["shutter"] + q["move"],
                "move": lambda q: q["interval"] - times * q["shutter"],
                "shutter": lambda q: (q["interval"] - q["move"]) / times,
            },
            {
                "interval": f"{exposed} + time to move",
                "move": f"interval - {exposed}",
                "shutter": "(interval - time to move) / 2" if noise_reduction else "interval - time to move",
            },
        ),
        Relation(
            {
                "photos": lambda q: math.floor(q["minutes"] * 60 / q["interval"] + TOLERANCE),
                "interval": lambda q: q["minutes"] * 60 / q["photos"],
                "minutes": lambda q: q["photos"] * q["interval"] / 60,
            },
            {
                "photos": "minutes / interval, rounded down to whole photos",
                "interval": "all the minutes shared among the photos",
                "minutes": "photos x interval",
            },
            asked_for="minutes",
        ),
        Relation(
            {
                "photos": lambda q: math.floor(q["walk"] / q["step"] + TOLERANCE) + 1,
                "step": lambda q: q["walk"] / (q["photos"] - 1),
                "walk": lambda q: (q["photos"] - 1) * q["step"],
            },
            {
                "photos": "walk / step, rounded down to whole steps, and the first photo",
                "step": "walk / (photos - 1)",
                "walk": "(photos - 1) x step",
            },
            asked_for="walk",
        ),
    )


def solve(asked, fps, noise_reduction=False, found=None, step_limit=None):
    """All nine quantities from some of them.

    asked: {name: number} in UNITS; minutes are those available (fewer may be taken), walk and clip are met to within a
    step and a frame. fps: frames a second if not asked. noise_reduction: long-exposure noise reduction is on.
    found: {name: (value, because)} of quantities that another part of the plan found. step_limit: (metres, because),
    assumed for the step if nothing tells it, or None: step and walk then stay out of the answers.
    Returns {name: Answer}. Raises PlanError where numbers contradict each other.
    """
    known = {name: Answer(value, UNITS[name], "asked", ASKED) for name, value in asked.items()}
    known |= {name: Answer(value, UNITS[name], why) for name, (value, why) in (found or {}).items()}
    if "photos" in known:
        _check_photos(known["photos"].value)
        known["photos"] = replace(known["photos"], value=int(known["photos"].value))
    lines = relations(noise_reduction)
    usual = [(name, *USUAL[name]) for name in ("shutter", "move", "photos")]
    usual += [("step", *step_limit)] if step_limit else []
    try:
        settled = _settled(known, [("fps", fps, "the settings' frame rate"), *usual], lines)
    except PlanError:
        # Numbers that contradict each other are refused as such; an odd frame rate is found only where they force it.
        known = _followed(known, lines)
        if "fps" in asked or "fps" not in known:
            raise
        settled = _settled(known, usual, lines)
    return {name: settled[name] for name in UNITS if name in settled}


def _settled(known, usual, lines):
    """The answers: what is known, the usual assumptions that are still needed, in their order, and what follows."""
    known = dict(known)
    for name, value, why in usual:
        if name not in known:
            known[name] = Answer(value, UNITS[name], why, ASSUMED, (name,))
        known = _followed(known, lines)
    return _as_taken(known, lines)


def _followed(known, lines):
    """All that follows from what is known, checked against every line."""
    known = dict(known)
    while True:
        before = len(known)
        for line in lines:
            unknown = [name for name in line.find if name not in known]
            if len(unknown) == 1:
                known[unknown[0]] = _found(unknown[0], line, known)
        if len(known) == before:
            break
    for line in lines:
        if all(name in known for name in line.find):
            _check(line, known)
    return known


def _found(name, line, known):
    values = {other: known[other].value for other in line.find if other != name}
    value = line.find[name](values)
    if not value > 0 or (name == "photos" and value < FEWEST):
        words = " and ".join(_words(other, known) for other in values)
        if name == "photos":
            raise PlanError(f"{words} leave room for {max(0, value)} photos: give more of the one or less of the other")
        raise PlanError(f"{words} leave no {'time to move' if name == 'move' else name}: change one of them")
    if name == "photos":
        _check_photos(value)
    return Answer(value, UNITS[name], line.words[name], FOUND, _rests_on(values, known))


def _check_photos(value):
    if value != round(value) or not FEWEST <= value <= MOST:
        raise PlanError(f"{show(value, 7)} photos: expected a whole number from {FEWEST} to {MOST}; check the units")


def _check(line, known):
    """Refuse three numbers of a line that do not agree."""
    values = {name: known[name].value for name in line.find}
    result = line.asked_for or "interval"
    if not _met(result, values, line.find[result](values)):
        others = [name for name in line.find if name != result]
        follows = WORDS[result].format(show(line.find[result](values), 4))
        raise PlanError(
            f"{' and '.join(_words(name, known) for name in others)} make {follows}, against {_words(result, known)}: "
            f"leave out or change one of {', '.join('--' + name for name in line.find)}"
        )


def _met(name, values, follows):
    """Whether what was asked for is what follows, as near as whole photos allow."""
    asked = values[name]
    slack = TOLERANCE * asked
    if name == "clip":  # less than a frame off
        return abs(follows - asked) * values["fps"] < 1 - TOLERANCE
    if name == "minutes":  # available ones
        return follows <= asked + slack
    if name == "walk":  # a step off at most
        return abs(follows - asked) / values["step"] <= 1 + TOLERANCE
    return abs(follows - asked) <= slack


def _as_taken(known, lines):
    """Clip, minutes and walk as they come out in whole photos, whatever was asked for."""
    taken = dict(known)
    for line in lines:
        name = line.asked_for
        if name and all(one in known for one in line.find):
            answer = known[name]
            others = {other: known[other].value for other in line.find if other != name}
            value = line.find[name](others)
            if abs(value - answer.value) > TOLERANCE * value:
                because = f"{line.words[name]}; asked: {WORDS[name].format(show(answer.value, 5))}"
                taken[name] = Answer(value, answer.unit, because, FOUND, _rests_on(others, known))
    return taken


def _rests_on(names, known):
    return tuple(sorted({assumed for name in names for assumed in known[name].rests_on}))


def _words(name, known):
    answer = known[name]
    text = WORDS[name].format(show(answer.value, 5))
    return text if answer.kind != ASSUMED else f"{text} ({answer.because})"
