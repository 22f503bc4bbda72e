"""Findings on files: damaged ones, duplicates, odd ones, and what was noted when they were put in order."""

from kerbwalk.finding import finding
from kerbwalk.ingest import common_size, listed_shortly, usual

# Part of the sensor's pixels with impossible values from which on the file is damaged.
BROKEN = 5e-5
ORDER = {"clock_changed": "warning", "no_time": "warning", "rolled_over": "note", "numbers_disorder": "note"}


def unusable(photos):
    """Findings on photos that cannot be read, are damaged, or are there twice."""
    findings = [
        finding(
            "unreadable", "fault", [p["name"]], p["bytes"], None,
            f"{p['name']} {p['problem']}; left out: copy it from the card again",
        )
        for p in photos
        if p["problem"]
    ]  # fmt: skip
    for p in photos:
        if p["glance"] and p["glance"]["broken"] > BROKEN:
            message = (
                f"{p['name']} is damaged: {100 * p['glance']['broken']:.2g} % of it is no picture; left out: copy it "
                "from the card again"
            )
            findings.append(finding("damaged", "fault", [p["name"]], p["glance"]["broken"], BROKEN, message))
    first = {}
    for p in photos:
        keys = [p["checksum"]]
        if p["glance"] and p["time"]:
            # One exposure under two headers: the very same sensor data.
            keys.append((p["time"], p["subsecond"], p["camera"], *p["glance"].values()))
        twin = next((first[key] for key in keys if key in first), None)
        for key in keys:
            first.setdefault(key, p["name"])
        if twin and not p["problem"]:
            message = f"{p['name']} is the same photo as {twin}; left out: delete one of them at leisure"
            findings.append(finding("duplicate", "fault", [p["name"]], twin, None, message))
    return findings


def odd_ones(photos):
    """Photos that cannot go into one clip with the others."""
    readable = [p for p in photos if not p["problem"]]
    if not readable:
        return []
    width, height = common_size(photos)
    same_size = [p for p in readable if (p["width"], p["height"]) == (width, height)]
    camera, turned = usual([p["camera"] for p in same_size]), usual([p["orientation"] for p in same_size])
    findings = []
    for p in readable:
        size = (p["width"], p["height"])
        if size in ((width, height), (height, width)) and p["camera"] == camera and p["orientation"] != turned:
            message = (
                f"{p['name']} is turned (orientation {_told(p['orientation'])}, the others {_told(turned)}); left out: "
                "correct it with the camera's software, or move it to a shoot of its own"
            )
            findings.append(finding("other_orientation", "fault", [p["name"]], p["orientation"], turned, message))
        elif size != (width, height):
            told, common = f"{p['width']}x{p['height']}", f"{width}x{height}"
            message = f"{p['name']} is {told} and the shoot is {common}; left out: move it to a shoot of its own"
            findings.append(finding("other_size", "fault", [p["name"]], told, common, message))
        elif p["camera"] != camera:
            message = (
                f"{p['name']} is from another camera ({p['camera'] or 'unnamed'}, the shoot's is "
                f"{camera or 'unnamed'}); left out: move it to a shoot of its own"
            )
            findings.append(finding("other_camera", "fault", [p["name"]], p["camera"], camera, message))
    return findings


def in_order(shoot):
    """What was noted when the order was found; and photos of one moment."""
    findings = [
        finding(n["code"], ORDER[n["code"]], n["photos"], len(n["photos"]), None, n["message"]) for n in shoot["order"]
    ]
    moments = {}
    for p in shoot["photos"]:
        if p["time"] and not p["problem"]:
            moments.setdefault((p["time"], p["subsecond"]), {}).setdefault(p["checksum"], p["name"])
    for (time, _), names in moments.items():
        if len(names) > 1:
            names = list(names.values())
            message = f"{listed_shortly(names)} have one time stamp ({time}); ordered by the numbers in their names"
            findings.append(finding("same_time", "warning", names, len(names), 1, message))
    return findings


def not_raw(photos, lone_jpegs):
    """Findings on developed pictures, and on those of which there is nothing else."""
    findings = []
    if lone := list(lone_jpegs):
        message = (
            f"{listed_shortly(lone)}: only a JPEG, and no raw file; not in the clip: look for the raw file on the card"
        )
        findings.append(finding("not_raw", "warning", lone, len(lone), 0, message))
    developed = [p["name"] for p in photos if p["name"].lower().endswith((".tif", ".tiff"))]
    if developed:
        message = (
            f"{listed_shortly(developed)}: not raw; used as developed pictures, whose highlights are gone, and hot "
            "pixels stay: better give the raw files"
        )
        findings.append(finding("not_raw", "note", developed, len(developed), 0, message))
    return findings


def put_aside(photos):
    """Warnings of photos in folders of a shoot whose other photos lie in none: to copy a card makes folders for all."""
    inside = {}
    for p in photos:
        inside.setdefault(p["name"].rpartition("/")[0].partition("/")[0], []).append(p["name"])
    return [
        finding(
            "in_folder", "warning", names, len(names), 0,
            f"{listed_shortly(names)}: in a folder of their own, and in the clip like those beside it; to leave them "
            f"out, write leave_out: [{folder}]",
        )
        for folder, names in inside.items()
        if folder and "" in inside
    ]  # fmt: skip


def changed(shoot, limits):
    """Findings on photos that are not what they were when first seen."""
    findings = []
    for c in shoot["changed"]:
        if c["name"] not in limits["replaced"]:
            now = next(p["checksum"] for p in shoot["photos"] if p["name"] == c["name"])
            message = (
                f"{c['name']} is not what it was when first seen on {c['since'][:10]}; copy it from the card "
                "again, or, "
                "if you replaced it, name it in audit.replaced"
            )
            findings.append(finding("changed", "warning", [c["name"]], now, c["was"], message))
    return findings


def not_known(photos):
    """Findings on what the stages would need to know, and the files do not say."""
    findings = []
    exposureless = [p["name"] for p in photos if not p["shutter"]]
    if exposureless:
        message = (
            f"{listed_shortly(exposureless)}: no exposure time in the EXIF; changes of exposure are taken for flicker"
        )
        findings.append(finding("no_exposure", "warning", exposureless, len(exposureless), 0, message))
    uncoloured = [p["name"] for p in photos if not p["matrix"]]
    if uncoloured:
        message = (
            f"{listed_shortly(uncoloured)}: no colour matrix in the file, so its colours are taken as BT.709; if they "
            "look wrong, convert the photos to DNG with a program that knows the camera"
        )
        findings.append(finding("no_matrix", "warning", uncoloured, len(uncoloured), 0, message))
    return findings


def _told(value):
    return "unknown" if value is None else f"{value:g}"
