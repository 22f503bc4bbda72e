"""The page's tables."""

import json
import platform
from importlib.metadata import version
from pathlib import Path

import imageio_ffmpeg
import yaml

from files import benchmark
from house.settings import flattened

# What the pictures' bits depend on, beside Kerbwalk's own code.
LIBRARIES = ("numpy", "scipy", "numba", "opencv-python-headless", "opencolorio", "rawpy", "tifffile", "snakemake")

# Of what a finding has as its value and limit.
UNITS = {
    **dict.fromkeys(("too_dark", "dust"), "stops"),
    **dict.fromkeys(("short_shutter", "irregular_interval", "short_interval", "shutter_changed"), "s"),
    **dict.fromkeys(("other_focal", "wide_lens"), "mm"),
    **dict.fromkeys(("clipped", "obstructed", "damaged"), "of the picture"),
    **dict.fromkeys(("few_photos", "missing_photo", "same_time", "left_out", "not_raw", "in_folder"), "photos"),
    **dict.fromkeys(("no_exposure", "no_matrix", "rolled_over", "numbers_disorder", "no_time"), "photos"),
    "bumped_aim": "of the long side",
    "not_sharp": "of the neighbours' detail",
    "fading": "of the first photos' detail",
    "white_balance_changed": "of the gains",
    "level_drift": "°",
    "two_shoots": "shoots",
    "unreadable": "bytes",
}


def findings(audit, order):
    """The audit's findings, by severity as in `order`, each with the unit of its value and limit."""
    found = sorted(audit["findings"], key=lambda f: order.index(f["severity"]))
    return [f | {"unit": UNITS.get(f["code"], "")} for f in found]


def absent(ingest, audit, warps):
    """The photos that no frame of the clip is made of: [{name, reason, instead: photos that stand in}]."""
    used = {name for frame in warps["frames"] for name, _ in frame}
    placed = {p["name"]: (k, p) for k, p in enumerate(warps["photos"])}
    bridged = len(warps["frames"]) == len(warps["photos"])
    found = []
    for photo in ingest["photos"]:
        name = photo["name"]
        if name in used:
            continue
        if name in placed:
            k, record = placed[name]
            instead = [other for other, _ in warps["frames"][k]] if bridged else []
            reason = record.get("problem") or record["dropped"]
            found.append({"name": name, "reason": reason, "instead": instead})
        else:
            said = [f for f in audit["findings"] if name in f["photos"]]
            out = [f["message"] for f in said if f["severity"] == "fault" or f["code"] == "left_out"]
            found.append({"name": name, "reason": out[0] if out else "left out", "instead": []})
    return found


def clips(paths, shoot):
    """The deliverables as {file, name}: in the folder, and as it is called by the shoot's true name."""
    found = [(f"{Path(path).parent.name}_", Path(path).name) for path in paths]
    return [
        {"file": file, "name": f"{shoot}_{file.removeprefix(own)}" if file.startswith(own) else file}
        for own, file in found
    ]


def delivered(clips, quality):
    """The deliverables, each with what was measured of it.

    clips: as clips() has them; quality: [a table as deliver leaves it], in their order.
    enlarged: how many times the photos are in it, or None where it has fewer pixels than they.
    """
    return [
        {
            **clip,
            "size": made["size"],
            "frames": made["frames"],
            "megabits": made.get("bits_a_second") and made["bits_a_second"] / 1e6,
            "vmaf": made.get("vmaf"),
            "enlarged": 1 / made["photo_pixels"] if made["photo_pixels"] < 1 else None,
        }
        for clip, made in zip(clips, quality, strict=False)
    ]


def settings(table, origins):
    """Rows of {key, value, origin}: key with its path, value as text, origin a name, or "default"."""
    return [
        {"key": ".".join(path), "value": _text(value), "origin": origins.get(".".join(path), "default")}
        for path, value in flattened(table)
    ]


def own_settings(table, origins):
    """The settings that are not the defaults, as YAML for a shoot.yaml; empty where there are none."""
    chosen = {}
    for path, value in flattened(table):
        if ".".join(path) in origins:
            branch = chosen
            for part in path[:-1]:
                branch = branch.setdefault(part, {})
            branch[path[-1]] = value
    return yaml.safe_dump(chosen, allow_unicode=True, default_flow_style=None, sort_keys=False) if chosen else ""


def versions():
    """[(name, version)] of what the pictures' bits depend on."""
    programs = [("Python", platform.python_version()), ("FFmpeg", imageio_ffmpeg.get_ffmpeg_version())]
    return programs + [(name, version(name)) for name in LIBRARIES]


def times(paths):
    """What each stage took: [{stage, jobs, seconds, cpu, peak (MB or None)}], in the order first named."""
    stages = {}
    for path in paths:
        name, figures = benchmark.read(path)
        found = (float(figures["s"]), benchmark.number(figures["cpu_time"]), benchmark.number(figures["max_rss"]))
        stages.setdefault(name, []).append(found)
    return [
        {
            "stage": name,
            "jobs": len(jobs),
            "seconds": sum(seconds for seconds, _, _ in jobs),
            # A job that ends at once leaves no figures here.
            "processor": sum(cpu or 0.0 for _, cpu, _ in jobs),
            "peak": max((peak for _, _, peak in jobs if peak is not None), default=None),
        }
        for name, jobs in stages.items()
    ]


def anchors(ingest, warps):
    """Where on the page each photo is told of, {name: id}: its frame, or why it is in none."""
    places = {p["name"]: f"photo-{k}" for k, p in enumerate(ingest["photos"], 1)}
    for k, parts in reversed(list(enumerate(warps["frames"], 1))):
        places |= {name: f"frame-{k}" for name, _ in parts}
    return places


def frame_rows(warps, measured, gains, thumbnails):
    """The table of all frames. thumbnails: {photo: picture}."""
    return [
        {
            "frame": k + 1,
            "photos": [{"name": name, "picture": thumbnails[name]} for name, _ in parts],
            "move": measured["moves"][k].tolist() if measured["seen"][k] else None,
            "level": 100 * float(measured["level"][k]),
            "deviation": 100 * float(measured["deviation"][k]),
            "gain": gains[parts[0][0]]["applied_gain"] if len(parts) == 1 else None,
        }
        for k, parts in enumerate(warps["frames"][: measured["frames"]])
    ]


def _text(value):
    return "" if value is None else value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
