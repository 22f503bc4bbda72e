"""Findings on when and where photos were taken: rests, haste, missing photos, two shoots in one folder."""

import math
import os
from bisect import bisect_right
from itertools import pairwise

import numpy as np

from kerbwalk.audit_camera import FOCAL
from kerbwalk.finding import BEYOND, finding
from kerbwalk.ingest import ROUND, listed_shortly, named_number, natural, ranges

# Two photos so little alike show two places; so little even without a rest between them.
UNLIKE, FOREIGN = 0.35, 0.1
# A shoot's part has at least so many photos.
PART = 3
# One camera's photos are numbered as they follow each other in time: where they go on from one set to another, in more
# than this part of all such places.
FOLLOWING = 0.75
EARTH_M = 6_371_000


def parts(photos, seen, limits):
    """The shoots that the photos look like one after the other: (lists of photos, what shows it, a text).

    photos: those without a fault. A shoot ends where there is a long rest, a leap of the place, other gear from there
    on, or another scene. None where they look like one.
    """
    steps = [p["seconds"] for p in photos]
    gaps = [None if None in (a, b) else b - a for a, b in pairwise(steps)]
    known = [g for g in gaps if g is not None]
    typical = max(float(np.median(known)), 1.0) if known else 1.0
    like = dict(zip(pairwise(seen["names"]), seen["alike"], strict=True)) if len(seen["names"]) > 1 else {}
    ends, why = [], []
    for k, gap in enumerate(gaps):
        a, b = photos[k], photos[k + 1]
        alike = like.get((a["name"], b["name"]), 1.0)
        if gap is not None and gap > max(60 * limits["gap"], 8 * typical):
            said = f"{gap / 60:.0f} min without a photo"
        elif a["place"] and b["place"] and _metres(a["place"], b["place"]) > limits["place"]:
            said = f"{_metres(a['place'], b['place']):.0f} m away"
        elif _gear_of(a) != _gear_of(b) and _two_kits(photos, k + 1):
            said = "another lens or focal length from there on"
        elif alike < FOREIGN or (alike < UNLIKE and gap is not None and gap > 3 * typical):
            said = "another scene from there on"
        else:
            continue
        ends.append(k + 1)
        why.append(f"before {b['name']}: {said}")
    parts = [photos[a:b] for a, b in pairwise([0, *ends, len(photos)])]
    if min(map(len, parts), default=0) < PART or len(parts) < 2:
        return None
    return parts, "; ".join(why)


def beside(photos):
    """The shoots that the photos look like side by side, their times running through each other, as parts() has them.

    photos: those that can be used, in the order taken. Sets of them, by folder, by camera or by what their names begin
    and count with, are shoots where their photos come by turns, and are not numbered as one camera would number them.
    """
    for told, label in _sets(photos):
        sets = {}
        for p in photos:
            sets.setdefault(label(p), []).append(p)
        sets = {key: part for key, part in sets.items() if len(part) >= PART}
        timed = [p for p in photos if p["seconds"] is not None and label(p) in sets]
        turns = [(a["name"], b["name"]) for a, b in pairwise(timed) if label(a) != label(b)]
        # One after the other they take one turn less than there are sets; few more are photos that were moved.
        if len(sets) < 2 or len(turns) - len(sets) + 1 < PART:
            continue
        if np.mean([_missing(a, b) is not None for a, b in turns]) <= FOLLOWING:
            said = " and ".join(told(key, part) for key, part in sets.items())
            return list(sets.values()), f"{said}, whose times run through each other"
    return None


def _sets(photos):
    """Ways to sort photos: pairs of functions, which name a set by its label and photos, and give a photo's label."""
    common = len(os.path.commonprefix([p["name"].split("/")[:-1] for p in photos]))
    counted = sorted({named_number(p["name"]) for p in photos if named_number(p["name"])[1] is not None})
    # A gap in the numbers that is wider than all the photos begins another count.
    begins = [b for a, b in pairwise(counted) if a[0] != b[0] or b[1] - a[1] > len(photos)]

    def folder(photo):
        return "/".join(photo["name"].split("/")[:-1][: common + 1])

    def camera(photo):
        return " ".join(filter(None, (photo["camera"], photo["serial"])))

    def count(photo):
        head, number = named_number(photo["name"])
        return head, number is not None and bisect_right(begins, (head, number))

    return [
        (lambda key, part: f"those in {key or 'no folder of their own'}", folder),
        (lambda key, part: f"those of {key or 'an unnamed camera'}", camera),
        (lambda key, part: f"those from {part[0]['name']} on", count),
    ]


def two_shoots(parts, why, every):
    """The finding that photos look like several shoots, with what to write. every: all the folder's photos."""
    part_of = {p["name"]: k for k, part in enumerate(parts) for p in part}
    listed = sorted((p["name"] for p in every), key=natural)
    names, at = [[] for _ in parts], 0
    for name in listed:
        # A photo with a fault goes where its neighbour in the folder goes.
        at = part_of.get(name, at)
        names[at].append(name)
    wanted = ", ".join(
        f"part {k}: {{photos: [{', '.join(_quoted(r) for r in ranges(part, listed))}]}}"
        for k, part in enumerate(names, 1)
    )
    folders = [{name.rpartition("/")[0].partition("/")[0] for name in part} for part in names]
    message = (
        f"this folder looks like {len(parts)} shoots ({why}); it is "
        f"worked on as one until you say: write into its shoot.yaml either 'split: {{{wanted}}}' or 'split: one'"
    )
    if all(map(all, folders)) and len(set.union(*folders)) == sum(map(len, folders)):
        message += "; or, as each has a folder of its own in it, start with this folder as shoots="
    heads = [part[0]["name"] for part in parts[1:]]
    return finding("two_shoots", "warning", heads, len(parts), 1, message)


def _gear_of(photo):
    return photo["focal"] and round(math.log(photo["focal"]) / FOCAL), photo["lens"]


def _two_kits(photos, k):
    """Whether all before photo k were taken with one kit and all from it on with another."""
    before, after = ({_gear_of(p) for p in side} for side in (photos[:k], photos[k:]))
    return len(before) == len(after) == 1


def intervals(photos, limits, notes, faulty):
    """Findings on rests, haste and missing photos, by the numbers in the names and by time.

    photos: of one shoot, in the order taken; notes: ingest.json's `order`; faulty: photos that have a fault, and so are
    neither missing nor to be compared with.
    """
    counted = not any(n["code"] == "numbers_disorder" for n in notes)
    steps = [
        (a, b, b["seconds"] - a["seconds"]) for a, b in pairwise(photos) if None not in (a["seconds"], b["seconds"])
    ]
    findings = []
    usual_step = spread = math.inf
    if len(steps) >= PART:
        values = np.array([step for _, _, step in steps])
        usual_step = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - usual_step)))
    longest = usual_step + max(limits["interval"] * usual_step, BEYOND * spread)
    apart = {(a["name"], b["name"]): step for a, b, step in steps}
    # Who knows where they were taken: they may fill any gap.
    anywhere = [p for p in faulty if p["seconds"] is None and named_number(p["name"])[1] is None]
    lacking = []
    for a, b in pairwise(photos):
        if any(_between(a, p, b) for p in faulty):
            continue
        missing = _missing(a["name"], b["name"]) if counted else None
        step = apart.get((a["name"], b["name"]))
        if missing is None and step and step > longest and spread < 0.1 * usual_step:
            # Without numbers, a rest that is a multiple of an even interval is a photo that is gone.
            times = step / usual_step
            missing = round(times) - 1 if abs(times - round(times)) < 0.1 * round(times) else 0
        if step and step > longest and anywhere:
            continue
        if missing:
            lacking.append((a["name"], b["name"], missing))
        elif step and step > longest:
            message = (
                f"{step:.0f} s between {a['name']} and {b['name']}, {usual_step:.0f} s as a rule; lights and "
                "people will jump "
                "there: nothing to be done now"
            )
            findings.append(finding("irregular_interval", "warning", [a["name"], b["name"]], step, longest, message))
    for a, b, missing in lacking:
        message = (
            f"{missing} photo{'s are' if missing > 1 else ' is'} missing between {a} and {b}; look on the card, "
            "or on another "
            "one"
        )
        findings.append(finding("missing_photo", "warning", [a, b], missing, 0, message))
    hasty = []
    for a, b, step in steps:
        # Stamps to the second may be off by nearly one.
        needed = (a["shutter"] or 0) + limits["write"]
        if b["seconds"] != a["seconds"] and step < needed - (0 if a["subsecond"] or b["subsecond"] else 1):
            hasty.append((b["name"], step, needed))
    if hasty:
        names, (_, step, needed) = [name for name, _, _ in hasty], min(hasty, key=lambda h: h[1] - h[2])
        message = (
            f"{listed_shortly(names)}: only {step:.1f} s after the photo before, where exposing and writing take "
            f"{needed:.1f} s; "
            "see whether the clock is right and no photo is missing"
        )
        findings.append(finding("short_interval", "warning", names, step, needed, message))
    return findings


def _between(a, photo, b):
    """Whether a photo was taken between two others, by the time it has, or else by its number."""
    if None not in (a["seconds"], photo["seconds"], b["seconds"]):
        return a["seconds"] < photo["seconds"] < b["seconds"]
    heads, numbers = zip(*(named_number(p["name"]) for p in (a, photo, b)), strict=True)
    return len(set(heads)) == 1 and None not in numbers and numbers[0] < numbers[1] < numbers[2]


def _missing(a, b):
    """How many numbers are missing between two names of one kind; None where they tell nothing."""
    (head, one), (other, two) = named_number(a), named_number(b)
    if head != other or one is None or two is None:
        return None
    if two <= one and one > ROUND // 2 > two:
        two += ROUND
    return two - one - 1 if 0 < two - one < ROUND // 2 else None


def _metres(one, other):
    """Distance of two places [latitude, longitude] on a sphere, by the haversine formula."""
    (a, b), (c, d) = np.radians([one, other])
    h = math.sin((c - a) / 2) ** 2 + math.cos(a) * math.cos(c) * math.sin((d - b) / 2) ** 2
    return 2 * EARTH_M * math.asin(math.sqrt(h))


def _quoted(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
