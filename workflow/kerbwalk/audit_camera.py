"""Findings on lens, exposure and white balance."""

import math
from itertools import pairwise

from kerbwalk.finding import finding
from kerbwalk.ingest import listed_shortly, usual

# Part by which focal lengths differ that are not one.
FOCAL = 0.02
# Part by which as-shot white balances differ that are not one.
NEUTRAL = 0.02


def gear(photos):
    """Findings on photos taken with another lens or focal length than the others."""
    findings = []
    lens = usual([p["lens"] for p in photos]) if photos else None
    focals = [p["focal"] for p in photos if p["focal"]]
    focal = usual([round(f, 3) for f in focals]) if focals else None
    zoomed = [p for p in photos if p["focal"] and abs(p["focal"] / focal - 1) > FOCAL]
    if len(zoomed) > 0.2 * len(photos):
        names = [p["name"] for p in zoomed]
        message = (
            f"the focal length goes from {min(focals):g} to {max(focals):g} mm within the shoot; better keep it, or "
            "split the shoot"
        )
        findings.append(finding("other_focal", "warning", names, max(focals), focal, message))
        zoomed = []
    for p in zoomed:
        message = (
            f"{p['name']} was taken at {p['focal']:g} mm, the others at {focal:g} mm; left out: tape the zoom "
            "ring, or move "
            "it to a shoot of its own"
        )
        findings.append(finding("other_focal", "fault", [p["name"]], p["focal"], focal, message))
    for p in photos:
        if p["lens"] != lens and p not in zoomed:
            message = (
                f"{p['name']} was taken with {p['lens'] or 'an unnamed lens'}, the others with "
                f"{lens or 'an unnamed one'}; see whether it fits"
            )
            findings.append(finding("other_lens", "warning", [p["name"]], p["lens"], lens, message))
    return findings


def exposure(photos, limits):
    """Findings on exposures that change or are too short, on white balance, and on lenses that are too wide."""
    findings = []
    told = {
        "shutter": ("shutter_changed", "{:g} s"),
        "aperture": ("aperture_changed", "f/{:g}"),
        "iso": ("iso_changed", "ISO {:g}"),
    }
    for key, (code, form) in told.items():
        known = [p for p in photos if p[key]]
        for a, b in pairwise(known):
            if abs(math.log2(b[key] / a[key])) > 0.01:
                after = "; taken out of the light" + (", not of the depth of field" if key == "aperture" else "")
                message = (
                    f"{b['name']}: {form.format(b[key])} after {form.format(a[key])}{after}: nothing to do if you "
                    "meant it"
                )
                severity = "warning" if key == "aperture" else "note"
                findings.append(finding(code, severity, [b["name"]], b[key], a[key], message))
    balanced = [p for p in photos if p["neutral"]]
    odd = [
        (b["name"], max(abs(x / y - 1) for x, y in zip(b["neutral"], a["neutral"], strict=True)))
        for a, b in pairwise(balanced)
    ]
    odd = [(name, by) for name, by in odd if by > NEUTRAL]
    if odd:
        names = [name for name, _ in odd]
        message = (
            f"{listed_shortly(names)}: the camera's white balance changed; one balance is used for all photos, so "
            "nothing to do"
        )
        findings.append(finding("white_balance_changed", "note", names, max(by for _, by in odd), NEUTRAL, message))
    quick = [p for p in photos if p["shutter"] and p["shutter"] < limits["shutter"] * 0.999]
    if quick:
        names, value = [p["name"] for p in quick], min(p["shutter"] for p in quick)
        message = (
            f"{listed_shortly(names)}: exposed for {value:g} s, under {limits['shutter']:g} s; what moves will "
            "jump from frame to "
            "frame: next time close the aperture or take a dark filter"
        )
        findings.append(finding("short_shutter", "warning", names, value, limits["shutter"], message))
    wide = [p for p in photos if p["focal35"] and p["focal35"] < limits["focal"]]
    if wide:
        names, value = [p["name"] for p in wide], min(p["focal35"] for p in wide)
        message = (
            f"{listed_shortly(names)}: {value:g} mm (35 mm-equivalent), under {limits['focal']:g} mm; the edges "
            "will stretch as the "
            "camera turns: next time take a longer lens"
        )
        findings.append(finding("wide_lens", "warning", names, value, limits["focal"], message))
    return findings
