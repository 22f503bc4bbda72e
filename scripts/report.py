"""Write a shoot's report: the clip, before and after, what was measured on the master, and how it was made.

Outputs
  report.html  one page, everything inside but the clips, which lie beside it
  card.json    what the index page needs
    name            the shoot's name
    page, clips     paths of the report and of the clips, relative to the results folder
    frames, rate    frames of the clip; frames a second, as a fraction
    size            [width, height] of the master, pixels
    hold_rms        RMS distance of the hold point from its mean, in 1080p pixels, or null where it was not seen
    flicker         RMS deviation of the level from a smooth curve, per cent
    retained        part of the photo's area that the crop keeps, 0..1
    findings        {severity: count} of the audit's findings
    stood_in, left  photos bridged by their neighbours, and photos that are not in the clip
    thumbnail       {src: the middle frame as data URI, width, height}
"""

import csv
import json
from fractions import Fraction
from pathlib import Path

import _workflow  # noqa: F401
import cv2
import numpy as np
import PyOpenColorIO as ocio
from files import ffmpeg, pages, stage
from files.proxies import Proxies
from house.settings import frame_rate
from kerbwalk import report

# The master is looked at this small, but for the hold point's surroundings.
SMALL = 640
PATCH = 160
THUMBNAIL = 480
# Levels are compared place by place on squares of the small picture.
SQUARE = 4
SEVERITIES = ("fault", "warning", "note")


def main():
    parser = stage.parser(__doc__)
    for name in ("name", "ingest", "audit", "track", "look", "warps", "gains", "framing", "master"):
        parser.add_argument(f"--{name}", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--clips", nargs="+", required=True)
    parser.add_argument("--times", nargs="+", required=True, help="the stages' benchmark files, <stage>[.<part>].tsv")
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: all of the shoot's settings")
    parser.add_argument("--out", required=True)
    parser.add_argument("--card", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    ingest, audit, track, warps, framing = (
        stage.read_json(path) for path in (args.ingest, args.audit, args.track, args.warps, args.framing)
    )
    measured = measure(args.master, framing, warps)
    gains = read_gains(args.gains)
    proxies = Proxies(args.proxies)
    look = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(args.look)).getDefaultCPUProcessor()
    photos = warps["photos"]
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
        measured=measured,
        expected=len(warps["frames"]),
        framing=framing,
        plan=plan(warps, track, framing, proxies, look),
        hold_is_auto=args.settings["hold"] == "auto",
        charts=charts(photos, framing, proxies, measured, gains, shaded),
        findings=sorted(audit["findings"], key=lambda f: SEVERITIES.index(f["severity"])),
        absent=absent(ingest, audit, warps),
        settings=list(flattened(args.settings)),
        stages=times(args.times),
        rows=frame_rows(warps, measured, gains),
    )
    with stage.whole(args.out) as temporary:
        Path(temporary).write_text(page, encoding="utf-8")
    stage.write_json(args.card, card)


def measure(master, framing, warps):
    """What one decoding of the master tells.

    Returns a dict: frames (count), moves (n, 2) of the hold point in output pixels about their mean and likeness (n,),
    hold_rms and drift (1080p pixels, None where fewer than half the frames show the point), level (n,) mean linear
    light, lasting (n,), deviation (n,) of lasting from a smooth curve, flicker and flicker_mean (per cent),
    pictures (first, middle, last frame, uint8 (h, w, 3)).
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
    patches, level, squares, pictures = [], [], [], []
    middle = len(warps["frames"]) // 2
    for k, frame in enumerate(ffmpeg.frames(master, (width + size[0], height), "rgb48le", filters)):
        small, patch = frame[:, :width], frame[: size[1], width:]
        patches.append((patch @ report.LUMA).astype(np.float32))
        light = report.linear_light(small) @ report.LUMINANCE
        level.append(light.mean())
        tidy = light[:, : width // SQUARE * SQUARE].reshape(height // SQUARE, SQUARE, -1, SQUARE)
        squares.append(tidy.mean((1, 3)).astype(np.float32))
        eight = (small >> 8).astype(np.uint8)
        pictures = [*pictures[: 2 if k > middle else 1], eight] if k else [eight]
    if not patches:
        raise stage.StageError(f"{master}: holds no frames; delete it and start the same command again")
    moves, likeness = report.movement(patches, (point[0] - left, point[1] - top))
    seen = likeness >= report.LIKE
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
        "deviation": report.deviation(lasting),
        "flicker": 100 * report.rms(report.deviation(lasting)),
        "flicker_mean": 100 * report.rms(report.deviation(np.array(level))),
        "pictures": [pictures[0], pictures[min(1, len(pictures) - 1)], pictures[-1]],
    }
