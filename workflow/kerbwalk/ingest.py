"""The order in which photos were taken, and what is known of it."""

import datetime
import re
from collections import Counter
from itertools import pairwise

# A camera's counter ends at 9999 and goes on with 1 (JEITA CP-3461, DCF); names of other lengths have no end.
ROUND = 9999
# Clocks are set by whole hours, in some places by halves and quarters.
CLOCK_STEP = 900
# Seconds by which the interval at which a clock was set may be off the usual one.
CLOCK_SLACK = 60


def capture_order(photos):
    """Put photos in the order in which they were taken.

    photos: dicts of at least name, time (ISO 8601 or None), subsecond, offset (minutes or None), count (or None), as
    in files.metadata. Returns (order, seconds, notes): indices; for each photo, in the order given, the seconds
    since the first photo by a clock that nobody has set meanwhile, or None; and [(code, names, sentence)], why it
    is so.

    Photos go by time, in UTC where all tell their zone; those of one second by their fraction of it, and then by
    number. The number is the camera's own count where all photos have one, or else that at the end of the name,
    read on beyond 9999. Where the numbers have hardly any two photos in another order than the times have, they
    show when the clock was set: the times after that are set back. If photos lack a time, the numbers decide. Copies
    of a photo (of one checksum, if there are any) come after the one with the shortest name.
    """
    firsts, copies = _without_copies(photos)
    order, seconds, notes = _order([photos[k] for k in firsts])
    seconds = dict(zip(firsts, seconds, strict=True))
    placed = [k for first in order for k in (firsts[first], *copies.get(firsts[first], ()))]
    for first, others in copies.items():
        seconds |= dict.fromkeys(others, seconds[first])
    return placed, [seconds[k] for k in range(len(photos))], notes


def _without_copies(photos):
    """(indices of the first of each checksum, {index: those of its copies})."""
    groups = {}
    for k in sorted(range(len(photos)), key=lambda k: (len(photos[k]["name"]), natural(photos[k]["name"]))):
        groups.setdefault(photos[k].get("checksum") or k, []).append(k)
    return sorted(group[0] for group in groups.values()), {g[0]: g[1:] for g in groups.values() if len(g) > 1}


def _order(photos):
    """capture_order() of photos of which none is there twice."""
    count = len(photos)
    times = [_seconds(p) for p in photos]
    if all(t is not None and p.get("offset") is not None for t, p in zip(times, photos, strict=True)):
        times = [t - 60 * p["offset"] for t, p in zip(times, photos, strict=True)]
    numbers, rolled = _numbers(photos)
    notes = []
    by_number = sorted(range(count), key=lambda k: (numbers[k], photos[k]["name"]))
    known = [k for k in by_number if times[k] is not None]
    jumps = _clock_changes(known, times, numbers)
    timeless = [photos[k]["name"] for k in range(count) if times[k] is None]
    moved = 0.0
    shift = [0.0] * count
    for k in known:
        if k in jumps:
            moved -= jumps[k]
            before = known[known.index(k) - 1]
            ahead = "ahead" if jumps[k] > 0 else "back"
            notes.append((
                "clock_changed", [photos[before]["name"], photos[k]["name"]],
                f"the camera's clock was set {ahead} by {_told(abs(jumps[k]))} between {photos[before]['name']} and "
                f"{photos[k]['name']}, as their numbers follow each other; later times are set right by that",
            ))  # fmt: skip
        shift[k] = moved
    times = [None if t is None else t + s for t, s in zip(times, shift, strict=True)]
    agree = all(times[a] <= times[b] for a, b in pairwise(known))
    if timeless and (agree or len(timeless) == count):
        order = by_number
        why = f"{listed_shortly(timeless)}: no time of capture; ordered by the numbers in the names"
        notes.append(("no_time", timeless, why))
    else:
        far = [float("inf") if t is None else t for t in times]
        order = sorted(range(count), key=lambda k: (far[k], numbers[k], photos[k]["name"]))
        if timeless:
            why = f"{listed_shortly(timeless)}: no time of capture, and the names are in another order than the times:"
            why += " put last"
            notes.append(("no_time", timeless, why))
    if rolled and agree:
        last, first = rolled
        notes.append((
            "rolled_over", [last, first], f"the camera's numbers end at {last} and go on with {first}; "
            "the photos are in the order of their times",
        ))  # fmt: skip
    if not agree and not timeless:
        names = [photos[b]["name"] for a, b in pairwise(known) if times[a] > times[b]]
        notes.append((
            "numbers_disorder", names, "the numbers in the names are in another order than the times of capture; "
            "ordered by time",
        ))  # fmt: skip
    first = min((t for t in times if t is not None), default=0.0)
    return order, [None if t is None else t - first for t in times], notes


def named_number(name):
    """(what stands before, number) of the number at the end of a photo's name without ending; (name, None) without.

    "card1/100KW/KW_0101.dng" -> ("KW_", 101).
    """
    stem = name.rpartition("/")[2].rpartition(".")[0]
    found = re.fullmatch(r"(.*?)([0-9]+)(\D*)", stem)
    return (found[1], int(found[2])) if found else (stem, None)


def natural(name):
    """A key that sorts names with numbers in them as people do: IMG_9 before IMG_10."""
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in re.split(r"(\d+)", name.lower())]


def ranges(names, listed):
    """The shortest list of names and of ranges "first .. last" of a list that stands for some names of it."""
    runs = []
    for k in sorted(listed.index(name) for name in names):
        if runs and runs[-1][1] == k - 1:
            runs[-1][1] = k
        else:
            runs.append([k, k])
    return [listed[a] if a == b else f"{listed[a]} .. {listed[b]}" for a, b in runs]


def listed_shortly(names):
    """The first few of some names, and how many more there are, as text."""
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"


def shoot(records):
    """A shoot's photos in the order taken, and the balance that its decoding uses.

    The balance is the middle photo's, whichever the reference is: the look goes from it to the white balance that is
    wanted, and a reference that is named later decodes no photo again.

    records: of all photos, of which at least one can be used. Returns photos, balance and order as ingest.json has them
    (scripts/ingest.py).
    """
    good = [r for r in records if not r["problem"]]
    order, seconds, notes = capture_order(good)
    photos = [good[k] | {"seconds": seconds[k]} for k in order]
    photos += [r | {"seconds": None} for r in records if r["problem"]]
    middle = photos[len(good) // 2]
    return {
        "balance": middle["neutral"] or middle["daylight"] or [1.0, 1.0, 1.0],
        "order": [{"code": code, "photos": who, "message": message} for code, who, message in notes],
        "photos": photos,
    }


def usable(photos, named):
    """Of named photos those that can be read and have the shoot's size.

    photos: records of ingest.json; named: list of (name, anything). Returns a list of the same kind.
    """
    size = common_size(photos)
    good = {p["name"] for p in photos if not p["problem"] and (p["width"], p["height"]) == size}
    return [pair for pair in named if pair[0] in good]


def common_size(photos):
    """The upright (width, height) that most of the readable photos have; of equals the first taken.

    photos: records of ingest.json, of which at least one is readable.
    """
    sizes = [(p["width"], p["height"]) for p in photos if not p["problem"]]
    return max(sizes, key=sizes.count)


def _seconds(photo):
    if not photo["time"]:
        return None
    moment = datetime.datetime.fromisoformat(photo["time"]).replace(tzinfo=datetime.UTC)
    return moment.timestamp() + photo["subsecond"]


def _numbers(photos):
    """(a number for each photo, the two names at which a counter has begun anew, or None)."""
    counts = [p.get("count") for p in photos]
    if counts and all(counts) and len(set(counts)) == len(counts):
        return counts, None
    numbers = [named_number(p["name"])[1] for p in photos]
    if not numbers or any(n is None for n in numbers):
        by_name = sorted(range(len(photos)), key=lambda k: natural(photos[k]["name"]))
        return [by_name.index(k) for k in range(len(photos))], None
    present = sorted(set(numbers))
    four_digits = all(re.search(r"[0-9]{4}\D*\.[^.]*$", p["name"]) for p in photos)
    # Numbers go round in a circle: the shoot begins after the widest gap in it.
    gaps = [(b - a, b) for a, b in pairwise(present)]
    if four_digits and gaps and present[-1] <= ROUND:
        widest, begin = max(gaps)
        if widest > ROUND // 2 and widest > present[0] + ROUND - present[-1]:
            names = {n: p["name"] for n, p in zip(numbers, photos, strict=True)}
            return [n if n >= begin else n + ROUND for n in numbers], (names[present[-1]], names[present[0]])
    return numbers, None


def _clock_changes(known, times, numbers):
    """{photo: seconds by which the clock was set before it}, if that explains why times do not ascend with numbers.

    known: photos with a time, by number. A clock set ahead leaves a gap of that length, which counts if the two
    numbers follow each other.
    """
    if len(known) < 3:
        return {}
    steps = [(b, times[b] - times[a], numbers[b] - numbers[a]) for a, b in pairwise(known)]
    usual = sorted(step for _, step, _ in steps)[len(steps) // 2]
    if usual <= 0:
        return {}
    jumps = {}
    for photo, step, apart in steps:
        change = CLOCK_STEP * round((step - usual * apart) / CLOCK_STEP)
        fits = abs(step - usual * apart - change) <= min(CLOCK_SLACK, max(2.0, 2 * usual))
        # A gap may as well be a rest: only one that is whole hours to the moment is a clock set ahead.
        if change and fits and (step < 0 or (apart == 1 and change % 3600 == 0)):
            jumps[photo] = change
        elif step < 0:
            return {}
    # Who sets a clock does it once, or puts it right again; more is a shoot whose names say nothing.
    return jumps if len(jumps) <= 2 else {}


def _told(seconds):
    hours, minutes = divmod(round(seconds / 60), 60)
    return " ".join(t for t in (f"{hours} h" if hours else "", f"{minutes} min" if minutes else "") if t)


def usual(values):
    """The commonest of some values; of equals the first."""
    return Counter(values).most_common(1)[0][0]
