"""Judge a shoot's photos by what is known of them before anything is computed from their pixels."""

from collections import Counter

from kerbwalk.ingest import common_size


def audit(photos, first=None, last=None, leave_out=()):
    """Findings on a shoot, and which photos make the clip.

    photos: records of ingest.json in the order taken; first, last, leave_out: file names from the settings.
    Returns (findings, kept): findings are dicts {code, severity, photos, value, limit, message}; kept is the
    list of file names in the order of the clip. Photos with a fault, and those that the settings leave
    out, are not in it.
    """
    findings = [*_unreadable(photos), *_odd_ones(photos), *_same_time(photos), *_no_time(photos)]
    faulty = {name for f in findings if f["severity"] == "fault" for name in f["photos"]}
    names = [p["name"] for p in photos]
    start = names.index(first) if first else 0
    end = names.index(last) if last else len(names) - 1
    kept = [n for n in names[start : end + 1] if n not in faulty and n not in leave_out]
    chosen_out = [n for n in names if n not in kept and n not in faulty]
    if chosen_out:
        findings.append(_finding("left_out", "note", chosen_out, len(chosen_out), None, "left out by the settings"))
    return findings, kept


def reference(photos, kept, wanted=None):
    """The photo that carries look and framing: the wanted one, else the middle one of the clip.

    A wanted photo that is readable serves even where the clip leaves it out.
    """
    usable = [p["name"] for p in photos if not p["problem"]]
    return wanted if wanted in usable else kept[len(kept) // 2]


def _unreadable(photos):
    return [
        _finding(
            "unreadable", "fault", [p["name"]], p["bytes"], None,
            f"{p['name']} {p['problem']}; left out: copy it from the card again",
        )
        for p in photos
        if p["problem"]
    ]  # fmt: skip


def _odd_ones(photos):
    readable = [p for p in photos if not p["problem"]]
    if not readable:
        return []
    width, height = common_size(photos)
    same_size = [p for p in readable if (p["width"], p["height"]) == (width, height)]
    camera = Counter(p["camera"] for p in same_size).most_common(1)[0][0]
    findings = []
    for p in readable:
        if (p["width"], p["height"]) != (width, height):
            size, usual = f"{p['width']}x{p['height']}", f"{width}x{height}"
            message = f"{p['name']} is {size} and the shoot is {usual}; left out: move it to a shoot of its own"
            findings.append(_finding("other_size", "fault", [p["name"]], size, usual, message))
        elif p["camera"] != camera:
            message = (
                f"{p['name']} is from another camera ({p['camera'] or 'unnamed'}, the shoot's is "
                f"{camera or 'unnamed'}); left out: move it to a shoot of its own"
            )
            findings.append(_finding("other_camera", "fault", [p["name"]], p["camera"], camera, message))
    return findings


def _same_time(photos):
    stamps = Counter((p["time"], p["subsecond"]) for p in photos if p["time"])
    findings = []
    for stamp, count in stamps.items():
        if count > 1:
            names = [p["name"] for p in photos if (p["time"], p["subsecond"]) == stamp]
            message = f"{_listed(names)} have one time stamp ({stamp[0]}); ordered by the numbers in their names"
            findings.append(_finding("same_time", "warning", names, count, 1, message))
    return findings


def _no_time(photos):
    readable = [p for p in photos if not p["problem"]]
    findings = []
    timeless = [p["name"] for p in readable if not p["time"]]
    if timeless:
        message = f"{_listed(timeless)}: no time of capture in the EXIF; the shoot goes by the numbers in the names"
        findings.append(_finding("no_time", "warning", timeless, len(timeless), 0, message))
    exposureless = [p["name"] for p in readable if not p["shutter"]]
    if exposureless:
        message = f"{_listed(exposureless)}: no exposure time in the EXIF; changes of exposure are taken for flicker"
        findings.append(_finding("no_exposure", "warning", exposureless, len(exposureless), 0, message))
    uncoloured = [p["name"] for p in readable if not p["matrix"]]
    if uncoloured:
        message = f"{_listed(uncoloured)}: no colour matrix in the file; its colours are taken as BT.709"
        findings.append(_finding("no_matrix", "warning", uncoloured, len(uncoloured), 0, message))
    return findings


def _listed(names):
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"


def _finding(code, severity, photos, value, limit, message):
    return {
        "code": code,
        "severity": severity,
        "photos": list(photos),
        "value": value,
        "limit": limit,
        "message": message,
    }
