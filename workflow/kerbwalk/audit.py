"""Judge a shoot's photos: by their metadata, by the order found for them, and by a quick look at them.

A finding is a dict {code, severity (note, warning, fault), photos, value, limit, message}; the message says what is
wrong, with which photos, and what to do.
"""

from kerbwalk import audit_camera, audit_files, audit_pictures, audit_times
from kerbwalk.finding import finding
from kerbwalk.ingest import listed_shortly

# What is told of pictures that are not looked at, or not beside their neighbours.
UNSEEN = {"contrast": 1.0, "drift": 0.0} | {
    key: [] for key in ("names", "aims", "sharpness", "covered", "alike", "spots")
}


def audit(shoot, seen, settings, lone_jpegs=()):
    """Findings on a shoot, and which photos make the clip.

    shoot: ingest.json; seen: what kerbwalk.neighbours tells of the pictures, {names, sharpness, aims, covered,
    contrast, drift, alike, spots}; settings: first, last, leave_out (file names), split, audit (limits);
    lone_jpegs: pictures in the folder of which there is no raw file.
    Returns (findings, kept): kept is the list of file names in the order of the clip. Photos with a fault, and
    those that the settings leave out, are not in it.
    """
    photos, limits = shoot["photos"], settings["audit"]
    names = [p["name"] for p in photos]
    findings = audit_files.unusable(photos)
    asked = settings["split"] != "one"
    beside = asked and audit_times.beside(_without_faults(photos, findings))
    # Where shoots lie side by side, the order is that of none of them, and neighbours show another scene.
    order = [] if beside else shoot["order"]
    findings += [
        *audit_files.odd_ones(photos),
        *([] if beside else audit_files.in_order(shoot)),
        *audit_files.not_raw(photos, lone_jpegs),
        *audit_files.changed(shoot, limits),
    ]
    sound = _without_faults(photos, findings)
    several = beside or (asked and audit_times.parts(sound, seen, limits))
    if several:
        findings.append(audit_times.two_shoots(*several, photos))
    faulty = [p for p in photos if p not in sound]
    parts = [[p for p in part if p in sound] for part in several[0]] if several else [sound]
    for part in parts:
        findings += [
            *audit_camera.gear(part),
            *audit_camera.exposure(part, limits),
            *audit_times.intervals(part, limits, order, faulty),
        ]
    findings += audit_files.not_known(sound)
    for part in parts if beside else [sound]:
        findings += audit_pictures.pictures(part, UNSEEN if beside else seen, limits)
    usable = [p["name"] for p in _without_faults(photos, findings)]
    chosen_out = left_out(names, settings)
    kept = [n for n in usable if not any(n in out for out in chosen_out.values())]
    if not several:
        findings += audit_files.put_aside([p for p in photos if p["name"] in kept])
    for setting, out in chosen_out.items():
        if out := [n for n in out if n in usable]:
            message = f"{listed_shortly(out)}: left out by '{setting}' in the settings"
            findings.append(finding("left_out", "note", out, len(out), None, message))
    if limits["photos"] and len(kept) < limits["photos"]:
        message = (
            f"the clip has {len(kept)} photos, {limits['photos']} were wanted; it will be shorter, or slower if you "
            "lower fps"
        )
        findings.append(finding("few_photos", "warning", [], len(kept), limits["photos"], message))
    return findings, kept


def left_out(names, settings):
    """{setting: file names of the photos that it leaves out}. names: in the order taken; settings: see audit()."""
    start = names.index(settings["first"]) if settings["first"] else 0
    end = names.index(settings["last"]) if settings["last"] else len(names) - 1
    named = set(settings["leave_out"])
    return {
        "first": names[:start],
        "leave_out": [n for n in names[start : end + 1] if n in named],
        "last": names[max(start, end + 1) :],
    }


def _without_faults(photos, findings):
    faulty = {name for f in findings if f["severity"] == "fault" for name in f["photos"]}
    return [p for p in photos if p["name"] not in faulty]


def too_few(shoot, kept, settings):
    """What is wrong where what is left makes no clip, a sentence; None where it does. shoot, settings: see audit()."""
    names, first, last = [p["name"] for p in shoot["photos"] if not p["problem"]], settings["first"], settings["last"]
    if first in names and last in names and names.index(first) > names.index(last):
        return f"'first' is {first}, which was taken after 'last', {last}; change the two for each other"
    check = "check 'first', 'last' and 'leave_out' in the settings"
    if not kept:
        return f"no photo is left for the clip; {check}"
    if len(kept) == 1:
        return f"only {kept[0]} is left for the clip, which takes two photos at least; copy the others here, or {check}"
    return None


def reference(photos, kept, findings, wanted=None):
    """The photo that carries look and framing: the wanted one, else the middle one of the clip.

    A wanted photo that is readable serves even where the clip leaves it out. Who wants none gets none that is warned
    of, as it may be blurred, covered or of another place, unless most are.
    """
    usable = [p["name"] for p in photos if not p["problem"]]
    if wanted in usable:
        return wanted
    warned = [f["photos"] for f in findings if f["severity"] == "warning" and len(f["photos"]) < len(kept) / 2]
    sound = set(kept).difference(*warned)
    middle = len(kept) // 2
    return kept[min(range(len(kept)), key=lambda k: (kept[k] not in sound, abs(k - middle)))]
