"""The order in which photos were taken."""

import re


def capture_order(stamps):
    """Indices that put photos in the order they were taken.

    stamps: list of (time, subsecond, name); time is an ISO 8601 text or None. Photos go by time; those of
    one second by their fraction of a second and then by the number in their name, read as a number. If
    any photo lacks a time, the names decide for all, as half an order by time would be none.
    """
    timed = all(time for time, _, _ in stamps)

    def key(index):
        time, subsecond, name = stamps[index]
        numbers = [int(n) for n in re.findall(r"\d+", name)]
        return (time, subsecond, numbers, name) if timed else ("", 0.0, numbers, name)

    return sorted(range(len(stamps)), key=key)


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
