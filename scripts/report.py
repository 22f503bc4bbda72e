"""Write a shoot's report: the clip, before and after, what was measured on the clip, and how it was made.

Outputs
  report.html  one page, everything inside but the clips, which lie beside it
  card.json    what the index page needs
    name            the shoot's name
    page, clips     paths of the report and of the clips, relative to the results folder
    frames, rate    frames of the clip; frames a second, as a fraction
    size            [width, height] of the clip, pixels
    hold_rms        RMS distance of the hold point from its mean, 1080p pixels, or null where it was not seen
    flicker         RMS deviation of the level from a smooth curve, per cent
    retained        part of the photo's area that the crop keeps, 0..1
    findings        {severity: count} of the audit's findings
    stood_in, left  photos bridged by their neighbours, and photos that are not in the clip
    thumbnail       {src: the middle frame as data URI, width, height}
"""

import _workflow  # noqa: F401
import json
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from files import benchmark, ffmpeg, pages, stage
from files.gains import read_gains
from files.look import processor
from files.proxies import Proxies
from house.settings import frame_rate
from kerbwalk import report
from kerbwalk.colour import LUMA_BT709

# The clip is looked at this small, but for the hold point's surroundings.
SMALL = 960
PATCH = 160
# Widths of the page's pictures.
PICTURE = 640
THUMBNAIL = 480
# Levels are compared place by place on squares of the small picture.
SQUARE = 6
SEVERITIES = ("fault", "warning", "note")


def main():
    parser = stage.parser(__doc__)
    for name in ("name", "ingest", "audit", "track", "look", "warps", "gains", "found", "framing"):
        parser.add_argument(f"--{name}", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--clips", nargs="+", required=True)
    parser.add_argument("--times", nargs="+", required=True, help="benchmark files, <stage>[.<part>].tsv")
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: all the shoot's settings")
    parser.add_argument("--out", required=True)
    parser.add_argument("--card", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    ingest, audit, track, warps, framing = (
        stage.read_json(path) for path in (args.ingest, args.audit, args.track, args.warps, args.framing)
    )
    measured = measure(args.clips[0], framing, warps)
    gains, found = read_gains(args.gains), stage.read_json(args.found)
    proxies = Proxies(args.proxies)
    look = processor(args.look)
    photos = warps["photos"]
    aims = aim(photos, framing)
    shaded = [k for k, p in enumerate(photos) if not p["placed"]]
    rate = frame_rate(args.settings["fps"])
    records = {p["name"]: p for p in ingest["photos"]}
    card = {
        "name": args.name,
        "page": f"{args.name}/{Path(args.out).name}",
        "clips": [f"{args.name}/{Path(clip).name}" for clip in args.clips],
        "frames": measured["frames"],
        "rate": rate,
        "size": framing["output"],
        "hold_rms": measured["hold_rms"],
        "flicker": measured["flicker"],
        "retained": framing["retained"],
        "findings": {s: sum(f["severity"] == s for f in audit["findings"]) for s in SEVERITIES},
        "stood_in": len(shaded) if len(warps["frames"]) == len(photos) else 0,
        "left": len(ingest["photos"]) - len(warps["frames"]),
        "thumbnail": pages.picture(measured["pictures"][1], THUMBNAIL),
    }
    page = pages.render(
        "shoot.html",
        card=card,
        seconds=float(measured["frames"] / Fraction(rate)),
        clips=[Path(clip).name for clip in args.clips],
        poster=pages.picture(measured["pictures"][1], SMALL),
        reference=records[warps["reference"]],
        pairs=pairs(warps["frames"], measured["pictures"], proxies, look),
        drift=measured["drift"],
        aimed=report.rms(aims[np.isfinite(aims).all(axis=1)]),
        seen=int(measured["seen"].sum()),
        flicker_mean=measured["flicker_mean"],
        bars={"hold": report.HOLD_BAR, "flicker": report.FLICKER_BAR},
        photos=len(ingest["photos"]),
        settings_fps=args.settings["fps"],
        expected=len(warps["frames"]),
        framing=framing,
        plan=plan(warps, track, framing, proxies, look),
        hold_is_auto=args.settings["hold"] == "auto",
        slits=slits(warps, measured, proxies, look),
        shifts=local_shifts(photos),
        charts=charts(photos, aims, proxies, measured, gains, shaded),
        findings=sorted(audit["findings"], key=lambda f: SEVERITIES.index(f["severity"])),
        absent=absent(ingest, audit, warps),
        steps=found["steps"],
        coloured=bool(found["colours"]),
        places=[place | {"evened": k in found["even"]} for k, place in enumerate(found["places"])],
        settings=list(flattened(args.settings)),
        stages=times(args.times),
        rows=frame_rows(warps, measured, gains),
        anchors=anchors(ingest, warps),
    )
    stage.write_text(args.out, page)
    stage.write_json(args.card, card)


def measure(clip, framing, warps):
    """What one decoding of the clip tells.

    Returns a dict: frames (count); moves (n, 2) of the hold point about their mean, and seen (n,), where they
    can be believed; hold_rms and drift (None where fewer than half the frames show the point); these in 1080p
    pixels; level (n,), mean linear light; lasting (n,) and deviation (n,), that of what lasts and how far it
    is off its smooth curve; flicker and flicker_mean, per cent; pictures, the first, middle and last frame, and
    columns (h, n, 3), the column through the hold point of every frame, uint8. On a pan the hold point is not measured.
    """
    output = framing["output"]
    width = min(SMALL, output[0])
    height = round(width * output[1] / output[0] / SQUARE) * SQUARE
    size = [min(PATCH, height), min(PATCH, height)]
    point = report.hold_in_output(warps["hold"], framing["crop"], output)
    left, top = report.patch_place(point, size, output)
    # Both beside each other in one picture: the small one, and the patch filled up to the same height.
    filters = (
        f"split[a][b];[a]scale={width}:{height}:flags=area+accurate_rnd:in_color_matrix=bt709:in_range=tv[small];"
        f"[b]crop={size[0]}:{size[1]}:{left}:{top}:exact=1,pad={size[0]}:{height},"
        "scale=flags=accurate_rnd:in_color_matrix=bt709:in_range=tv[patch];[small][patch]hstack"
    )
    patches, level, squares, columns, shown = [], [], [], [], {}
    wanted = first_middle_last(len(warps["frames"]))
    for k, frame in enumerate(ffmpeg.frames(clip, (width + size[0], height), "rgb48le", filters)):
        small, patch = frame[:, :width], frame[: size[1], width:]
        patches.append((patch @ LUMA_BT709).astype(np.float32))
        columns.append((small[:, int(point[0] / output[0] * width)] >> 8).astype(np.uint8))
        light = report.linear_light(small) @ LUMA_BT709
        level.append(light.mean())
        tidy = light[:, : width // SQUARE * SQUARE].reshape(height // SQUARE, SQUARE, -1, SQUARE)
        squares.append(tidy.mean((1, 3)).astype(np.float32))
        if k in wanted:
            shown[k] = (small >> 8).astype(np.uint8)
    if not patches:
        raise stage.StageError(f"{clip}: holds no frames; delete it and start the same command again")
    moves, likeness = report.movement(patches, (point[0] - left, point[1] - top))
    stands = framing["moves"] is None or not np.any(np.array(framing["moves"])[:, 1:])
    seen = (likeness >= report.LIKE) & stands
    hd = report.to_1080p(output)
    enough = seen.sum() >= max(2, len(patches) / 2)
    lasting = report.lasting_levels(np.array(squares))
    return {
        "frames": len(patches),
        "moves": hd * (moves - moves[seen].mean(axis=0) if seen.any() else moves),
        "seen": seen,
        "hold_rms": hd * report.rms(moves[seen]) if enough else None,
        "drift": hd * report.drift(moves, seen) if enough else None,
        "level": np.array(level),
        "lasting": lasting,
        "deviation": report.deviation(lasting),
        "flicker": 100 * report.rms(report.deviation(lasting)),
        "flicker_mean": 100 * report.rms(report.deviation(np.array(level))),
        "columns": np.stack(columns, 1),
        "pictures": [shown.get(k, shown[0]) for k in wanted],
    }


def first_middle_last(count):
    """Places of the frames that the page shows."""
    return [0, count // 2, count - 1]


def pairs(frames, pictures, proxies, look):
    """The first, middle and last frame of the clip, each as photographed and as in the clip."""
    titles = ("First frame", "Middle frame", "Last frame")
    return [
        {
            "title": title,
            "frame": k + 1,
            "photos": [name for name, _ in frames[k]],
            "before": pages.picture(photographed(frames[k], proxies, look), PICTURE),
            "after": pages.picture(after, PICTURE),
        }
        for title, k, after in zip(titles, first_middle_last(len(frames)), pictures, strict=True)
    ]


def photographed(frame, proxies, look):
    """The light proxy of the photo that a frame is mostly made of, through the look, without gain or warp.

    frame: [(photo, share)]. Returns uint8 (h, w, 3).
    """
    name = max(frame, key=lambda part: part[1])[0]
    rgb = np.ascontiguousarray(proxies.light(name)[0] / np.float32(report.WHITE))
    look.applyRGB(rgb)
    return np.rint(np.clip(rgb, 0, 1) * 255).astype(np.uint8)


def slits(warps, measured, proxies, look):
    """The column through the hold point of every frame side by side: (as photographed, in the clip)."""
    x = int((warps["hold"][0] + 0.5) / proxies.light_scale)
    before = np.stack([photographed(frame, proxies, look)[:, x] for frame in warps["frames"]], 1)
    return [
        pages.picture(cv2.resize(strip, (PICTURE, 360), interpolation=cv2.INTER_NEAREST))
        for strip in (before, measured["columns"])
    ]


def local_shifts(photos):
    """How far the grids of local shifts reach, photo pixels: {usual, most}, or None where there are none."""
    reach = [np.abs(p["grid"]).max() for p in photos if p["placed"] and p["grid"]]
    return {"usual": float(np.median(reach)), "most": float(max(reach))} if reach else None


def plan(warps, track, framing, proxies, look):
    """The reference photo with what is drawn on it; places in per cent of it, from the top left corner."""
    size = np.array(warps["size"])
    own = [p["matrix"] for p in warps["photos"] if p["name"] == warps["reference"] and p["placed"]]
    left, top, width, height = framing["crop"]
    corners = np.array([[left, top], [left + width, top], [left + width, top + height], [left, top + height]])
    on_photo = np.column_stack([corners, np.ones(4)]) @ np.array(own[0] if own else np.eye(3)).T
    on_photo = on_photo[:, :2] / on_photo[:, 2:]
    rgb = photographed([(warps["reference"], 1.0)], proxies, look)
    covered = proxies.light_scale * np.array([rgb.shape[1], rgb.shape[0]])
    return {
        "picture": pages.picture(rgb, SMALL),
        "covered": (100 * covered / size).tolist(),
        "aspect": size.tolist(),
        "crop": (100 * (on_photo + 0.5) / size).tolist(),
        "hold": (100 * (np.array(warps["hold"]) + 0.5) / size).tolist(),
        "candidates": track["candidates"],
    }


def aim(photos, framing):
    """Where each photo saw the hold point, about the mean: (n, 2) in 1080p pixels, NaN where it did not."""
    scale = report.to_1080p(framing["output"]) * framing["output"][0] / framing["crop"][2]
    places = np.array([p.get("hold", [np.nan, np.nan]) for p in photos], float) * scale
    return places - np.nanmean(places, axis=0)


def charts(photos, aims, proxies, measured, gains, shaded):
    """The page's charts, by name."""
    levels = np.log2([max(float(proxies.light(p["name"])[0].mean()), 1e-3) for p in photos])
    known, estimated, kept, applied = (
        np.array([gains[p["name"]][key] for p in photos])
        for key in ("known_step", "estimated_gain", "kept_trend", "applied_gain")
    )
    steps = [k for k in range(1, len(known)) if abs(known[k] - known[k - 1]) > 0.01]
    held = np.where(measured["seen"][:, None], measured["moves"], np.nan)
    bridged = shaded if measured["frames"] == len(photos) else []
    sides = ("sideways", "up and down")
    aims, held = (list(zip(sides, values.T, strict=True)) for values in (aims, held))
    way, off = (np.array([p[key] if p["placed"] else np.nan for p in photos]) for key in ("way", "off"))
    steps_walked = np.diff(way, prepend=np.nan)
    usual = np.nanmedian(np.abs(steps_walked)) if np.isfinite(steps_walked).any() else 1.0
    return {
        "steps": pages.chart("Length of each step", "usual steps", [("step", steps_walked / usual)], shaded=shaded),
        "off": pages.chart("Camera off the even walk", "‰ of the hold point's distance", [("off", 1000 * off)],
        shaded=shaded), "aim": pages.chart("Before: where the camera was aimed", "px", aims, shaded=shaded),
        "held": pages.chart(
            "After: the hold point in the clip",
            "px",
            held,
            band=report.HOLD_BAR,
            shaded=bridged,
        ),
        "photographed": pages.chart(
            "Before: level as photographed",
            "stops",
            [("level", levels - levels.mean())],
            span=0.2,
            marks=steps,
            shaded=shaded,
        ),
        "trend": pages.chart(
            "What lasts: as measured, and what is kept",
            "stops",
            [("measured", known + estimated), ("kept", kept)],
            span=0.2,
            marks=steps,
            shaded=shaded,
        ),
        "gains": pages.chart("Gain applied", "stops", [("gain", applied)], span=0.2, marks=steps, shaded=shaded),
        "level": pages.chart(
            "After: level of the clip",
            "%",
            [
                ("whole picture", 100 * (measured["level"] / measured["level"].mean() - 1)),
                ("what lasts", 100 * (measured["lasting"] / measured["lasting"].mean() - 1)),
            ],
            span=4,
            shaded=bridged,
        ),
        "deviation": pages.chart(
            "After: deviation from the smooth curve",
            "%",
            [("what lasts", 100 * measured["deviation"])],
            band=report.FLICKER_BAR,
            shaded=bridged,
        ),
    }


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
            found.append({"name": name, "reason": record["problem"], "instead": instead})
        else:
            said = [f for f in audit["findings"] if name in f["photos"]]
            out = [f["message"] for f in said if f["severity"] == "fault" or f["code"] == "left_out"]
            found.append({"name": name, "reason": out[0] if out else "left out", "instead": []})
    return found


def flattened(settings, above=""):
    """Settings as (key with its path, text)."""
    for key, value in settings.items():
        if isinstance(value, dict) and value:
            yield from flattened(value, f"{above}{key}.")
        else:
            text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
            yield f"{above}{key}", "" if value is None else text


def times(paths):
    """What each stage took: [{stage, jobs, seconds, peak (MB or None)}], in the order first named."""
    stages = {}
    for path in paths:
        stage_name, figures = benchmark.read(path)
        stages.setdefault(stage_name, []).append((float(figures["s"]), benchmark.number(figures["max_rss"])))
    return [
        {
            "stage": name,
            "jobs": len(jobs),
            "seconds": sum(seconds for seconds, _ in jobs),
            # A job that ends at once leaves no figure here.
            "peak": max((peak for _, peak in jobs if peak is not None), default=None),
        }
        for name, jobs in stages.items()
    ]


def anchors(ingest, warps):
    """Where on the page each photo is told of, {name: id}: its frame, or why it is in none."""
    places = {p["name"]: f"photo-{k}" for k, p in enumerate(ingest["photos"], 1)}
    for k, parts in reversed(list(enumerate(warps["frames"], 1))):
        places |= {name: f"frame-{k}" for name, _ in parts}
    return places


def frame_rows(warps, measured, gains):
    """The table of all frames."""
    return [
        {
            "frame": k + 1,
            "photos": [name for name, _ in parts],
            "move": measured["moves"][k].tolist() if measured["seen"][k] else None,
            "level": 100 * float(measured["level"][k]),
            "deviation": 100 * float(measured["deviation"][k]),
            "gain": gains[parts[0][0]]["applied_gain"] if len(parts) == 1 else None,
        }
        for k, parts in enumerate(warps["frames"][: measured["frames"]])
    ]


if __name__ == "__main__":
    stage.run(main)
