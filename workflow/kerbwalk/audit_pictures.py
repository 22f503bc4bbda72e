"""Findings on what the pictures show."""

import numpy as np

from kerbwalk.exposure import known_steps
from kerbwalk.finding import BEYOND, finding

# Stops by which a photo is darker than its neighbours, its exposure allowed for, from which on nothing brings it back.
LOST = 4.0
# Part of the clipped pixels from which on nothing brings a photo back.
BLOWN = 0.5


def pictures(photos, seen, limits):
    """What the pictures themselves show."""
    findings = _light(photos, limits)
    # Of a photo that is clipped or dark it is no news that it looks otherwise.
    lost = {name for f in findings for name in f["photos"]}
    at = {name: k for k, name in enumerate(seen["names"])}
    names = [p["name"] for p in photos if p["name"] in at and p["name"] not in lost]
    aims = {n: float(np.hypot(*seen["aims"][at[n]])) for n in names}
    tolerance = max(limits["aim"], BEYOND * float(np.median(list(aims.values())) if aims else 0))
    for name in names:
        k = at[name]
        if seen["covered"][k] > limits["covered"]:
            value = float(seen["covered"][k])
            message = (
                f"{name}: {100 * value:.0f} % of it is not as its neighbours show it; somebody or something may "
                "stand before the "
                "lens: look at it, and leave it out if so"
            )
            findings.append(finding("obstructed", "warning", [name], value, limits["covered"], message))
        elif seen["sharpness"][k] < limits["sharpness"]:
            value = float(seen["sharpness"][k])
            message = (
                f"{name} has {100 * value:.0f} % of its neighbours' fine detail; it is shaken or out of focus: "
                "look at it, and "
                "leave it out if so"
            )
            findings.append(finding("not_sharp", "warning", [name], value, limits["sharpness"], message))
        if aims[name] > tolerance:
            message = (
                f"{name} is aimed off its neighbours by {100 * aims[name]:.1f} % of the picture; steadying turns "
                "it back, which "
                "may cost a part of the frame: leave it out to keep that"
            )
            findings.append(finding("bumped_aim", "warning", [name], aims[name], tolerance, message))
    if seen["contrast"] < limits["contrast"]:
        message = (
            f"fine detail falls to {100 * seen['contrast']:.0f} % from first to last photo; dew on the lens, or "
            "the focus has "
            "slipped: wipe the lens, and check the focus before you go on"
        )
        findings.append(finding("fading", "warning", names, seen["contrast"], limits["contrast"], message))
    if abs(seen["drift"]) > limits["level"]:
        message = (
            f"the camera leans {abs(seen['drift']):.1f} degrees more to the "
            f"{'right' if seen['drift'] > 0 else 'left'} at the end "
            "than at the start; steadying turns that back, at the cost of the corners: check the tripod's level"
        )
        findings.append(finding("level_drift", "warning", names, seen["drift"], limits["level"], message))
    if seen["spots"]:
        deepest = max(depth for _, _, depth in seen["spots"])
        places = ", ".join(f"[{x:.3f}, {y:.3f}]" for x, y, _ in seen["spots"][:5])
        message = (
            f"{len(seen['spots'])} dark spot{'s' if len(seen['spots']) > 1 else ''} at fixed places of the sensor "
            f"({places}); dust: "
            "clean the sensor before the next walk"
        )
        findings.append(finding("dust", "warning", names, deepest, limits["dust"], message))
    return findings


def _light(photos, limits):
    seen = [p for p in photos if p["glance"]]
    findings = []
    levels = np.array([p["glance"]["level"] for p in seen]) - known_steps(seen, {})
    for k, p in enumerate(seen):
        clipped, bright = p["glance"]["clipped"], p["glance"]["bright"]
        # Darker than those before and those after: a dark filter, which the camera does not tell, is a step.
        sides = [side for side in (levels[max(0, k - 4) : k], levels[k + 1 : k + 5]) if len(side)]
        under = min((float(np.quantile(side, 0.75)) for side in sides), default=levels[k]) - levels[k]
        if clipped > limits["clipped"]:
            severity, todo = ("fault", "left out") if clipped > BLOWN else ("warning", "expose less next time")
            message = f"{p['name']}: {100 * clipped:.0f} % of it is clipped; {todo}"
            findings.append(finding("clipped", severity, [p["name"]], clipped, limits["clipped"], message))
        if under > LOST:
            message = (
                f"{p['name']} is {under:.1f} stops darker than its neighbours; left out: the lens was covered, or the "
                "shutter failed"
            )
            findings.append(finding("too_dark", "fault", [p["name"]], under, LOST, message))
        elif -bright > limits["dark"]:
            message = (
                f"{p['name']}: all but its lamps is {-bright:.1f} stops or more below white; expose more next time"
            )
            findings.append(finding("too_dark", "warning", [p["name"]], -bright, limits["dark"], message))
    return findings
