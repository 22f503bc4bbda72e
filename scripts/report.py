"""Write a shoot's report: the clip, before and after, what was measured on the clip, and how it was made.

Outputs
  report.html      one page, everything inside but the clips
  unprocessed.mp4  the photos as taken, under the same look, cut and timed as the clip, small
  card.json        what the index page needs
    name            the shoot's name
    page            path of the report, relative to the results folder
    clips           [{path, name}]: where a clip lies, likewise, and what it is called
    taken           date of the first photo, ISO 8601, by the camera's clock, or null
    frames, rate    frames of the clip; frames a second, as a fraction
    size            [width, height] of the clip, pixels
    hold_rms        RMS distance of the hold point from its mean, 1080p pixels, or null where it was not seen
    panned          true where the picture pans, past the hold point, which then is not measured
    amiss           sentences on a hold point that is not still or hardly seen, on flicker that is left, and on a crop
                    that keeps little
    flicker         RMS deviation of the level from a smooth curve, per cent, over the frames where that is sure
    unsure          {frames: how many frames there are beside these, most: their greatest deviation, per cent}, or null
    retained        part of the photo's area that the crop keeps, 0..1
    findings        {severity: count} of the audit's findings
    stood_in, left  photos bridged by their neighbours, and photos that are not in the clip
    thumbnail       {src: the middle frame as data URI, width, height}
"""

import _workflow  # noqa: F401
import contextlib
import json
import os
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from files import pages, stage
from files.gains import read_gains
from files.look import processor
from files.proxies import Proxies
from files.reporting import charts, tables
from files.reporting.clip import SHOWN, first_middle_last, measure
from files.reporting.photos import AsTaken, mostly
from files.warps import read_warps
from house.settings import frame_rate
from kerbwalk import camera, colour, report

# Widths of the page's pictures. Where there are very many photos theirs are small, so that the page stays small.
POSTER, SLITS, CARD, THUMBNAIL, TINY, MANY = 960, (960, 360), 480, 144, 56, 300
SEVERITIES = ("fault", "warning", "note")
# Of what a browser plays, by the ending.
PLAYABLE = (".mp4",)
# A place no further off the hold point, as a part of width and height, is the one that is held.
HELD = 0.002
# To what the white balance as shot is told, K: what a camera writes of it is hardly better.
KELVINS = 50
# Who sees less than this part of what the aspect could show of a photo should know.
LITTLE = 0.4


def main():
    parser = stage.parser(__doc__)
    for name in ("name", "ingest", "audit", "track", "look", "warps", "gains", "found", "framing"):
        parser.add_argument(f"--{name}", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--clips", nargs="+", required=True, help="all deliverables")
    parser.add_argument("--quality", nargs="*", default=[], help="what was measured of each of them")
    parser.add_argument("--measured", required=True, help="the deliverable, or the master, that is looked at")
    parser.add_argument("--times", nargs="+", required=True, help="benchmark files, <stage>[.<part>].tsv")
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: all the shoot's settings")
    parser.add_argument("--origins", required=True, type=json.loads, help="JSON: {setting: where it comes from}")
    parser.add_argument("--draft", action="store_true", help="say that it is a draft")
    parser.add_argument("--out", required=True)
    parser.add_argument("--unprocessed", required=True)
    parser.add_argument("--card", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    ingest, audit, track, framing, found = (
        stage.read_json(path) for path in (args.ingest, args.audit, args.track, args.framing, args.found)
    )
    warps, gains = read_warps(args.warps), read_gains(args.gains)
    photos, frames = warps["photos"], warps["frames"]
    names = [name for frame in frames for name, _ in frame]
    rate = frame_rate(args.settings["fps"])
    thumbnail = THUMBNAIL if len(names) <= MANY else TINY
    # The clip is measured beside all that is made of the photos.
    with ThreadPoolExecutor(1) as beside:
        measuring = beside.submit(measure, args.measured, framing, warps)
        taken = AsTaken(Proxies(args.proxies), processor(args.look))
        with stage.whole(args.unprocessed) as temporary:
            thumbnails, columns = unprocessed(taken, temporary, warps, framing, rate, thumbnail)
        before = [
            unsteadied(taken, warps, framing, k, taken.fine(mostly(frames[k]), SHOWN))
            for k in first_middle_last(len(frames))
        ]
        planned = plan(taken, warps, track, framing, args.settings["reference"])
        measured = measuring.result()
    aims = charts.aim(photos, framing)
    records = {p["name"]: p for p in ingest["photos"]}
    clips = tables.clips(args.clips, args.name)
    card = {
        "name": args.name,
        "page": f"{args.name}/{Path(args.out).name}",
        "clips": [{"path": f"{args.name}/{clip['file']}", "name": clip["name"]} for clip in clips],
        "taken": next((p["time"][:10] for p in ingest["photos"] if not p["problem"] and p["time"]), None),
        "frames": measured["frames"],
        "rate": rate,
        "size": framing["output"],
        "hold_rms": measured["hold_rms"],
        "panned": measured["panned"],
        "amiss": amiss(measured, framing, args.settings["hold_in"]) + across(warps["size"], framing, args.origins),
        "flicker": measured["flicker"],
        "unsure": unsure(measured),
        "retained": framing["retained"],
        "findings": {s: sum(f["severity"] == s for f in audit["findings"]) for s in SEVERITIES},
        "stood_in": sum(not p["placed"] for p in photos) if len(frames) == len(photos) else 0,
        "left": len(ingest["photos"]) - len(frames),
        "thumbnail": pages.picture(measured["pictures"][1], CARD),
    }
    page = pages.render(
        "shoot.html",
        card=card,
        draft=args.draft,
        seconds=float(measured["frames"] / Fraction(rate)),
        clips=clips,
        delivered=tables.delivered(clips, [stage.read_json(path) for path in args.quality]),
        played=next((Path(clip).name for clip in (args.measured, *args.clips) if clip.endswith(PLAYABLE)), None),
        unprocessed=os.path.relpath(args.unprocessed, Path(args.out).parent),
        posters=[
            pages.picture(picture, POSTER)
            for picture in (
                measured["pictures"][0],
                unsteadied(taken, warps, framing, 0, taken.small(mostly(frames[0]))),
            )
        ],
        reference=records[warps["reference"]],
        kelvin=as_shot(records[warps["reference"]]),
        lens=warps["lens"],
        pairs=pairs(frames, before, measured["pictures"]),
        slits=slits(columns, measured["columns"]),
        plan=planned,
        drift=measured["drift"],
        aimed=report.rms(aims[np.isfinite(aims).all(axis=1)]),
        seen=int(measured["seen"].sum()),
        flicker_mean=measured["flicker_mean"],
        bars={"hold": report.HOLD_BAR, "flicker": report.FLICKER_BAR},
        photos=len(ingest["photos"]),
        expected=len(frames),
        framing=framing,
        shifts=local_shifts(photos),
        charts=all_charts(args.settings["audit"], taken, warps, framing, records, aims, measured, gains),
        findings=tables.findings(audit, SEVERITIES),
        absent=tables.absent(ingest, audit, warps),
        steps=found["steps"],
        coloured=bool(found["colours"]),
        places=[place | {"evened": k in found["even"]} for k, place in enumerate(found["places"])],
        fps=args.settings["fps"],
        hold_is_auto=args.settings["hold"] == "auto",
        hold_in=sorted(args.settings["hold_in"]),
        settings=tables.settings(args.settings, args.origins),
        own_settings=tables.own_settings(args.settings, args.origins),
        versions=tables.versions(),
        stages=tables.times(args.times),
        rows=tables.frame_rows(warps, measured, gains, thumbnails),
        anchors=tables.anchors(ingest, warps),
    )
    stage.write_text(args.out, page)
    stage.write_json(args.card, card)


def as_shot(photo):
    """The colour temperature, K, that the camera took for white in a photo; None where its file does not tell."""
    if photo["matrix"] and photo["neutral"]:
        with contextlib.suppress(ValueError):  # no light looks like that
            kelvin = colour.kelvin_of(camera.white_of(photo["matrix"], 1 / np.asarray(photo["neutral"])))
            return KELVINS * round(kelvin / KELVINS)
    return None


def unsure(measured):
    """How many frames' light is not sure, and how far it is off at most; None where there are none."""
    off = 100 * np.abs(measured["deviation"][~measured["sure"]])
    return {"frames": len(off), "most": float(off.max())} if len(off) else None


def amiss(measured, framing, hold_in):
    """What closing lines and index say of a clip that was made and is hardly what is wanted: sentences, often none.

    hold_in: the setting, as one photo whose hold point was told wrong is enough to make a clip unsteady.
    """
    said, hold_rms = [], measured["hold_rms"]
    if hold_rms is None and not measured["panned"]:
        said.append("its hold point is seen in fewer than half of the frames; choose another in its report")
    elif hold_rms is not None and hold_rms >= report.HOLD_BAR:
        limit = f"limit: {report.HOLD_BAR}"
        what_to_do = "correct 'hold_in', or choose another" if hold_in else "choose another"
        said.append(f"its hold point is still to {hold_rms:.2f} px only ({limit}); {what_to_do} in its report")
    if measured["flicker"] >= report.FLICKER_BAR:
        limit = f"limit: {report.FLICKER_BAR} %"
        said.append(f"its light is even to {measured['flicker']:.2f} % only ({limit}); see the frames in its report")
    if framing["moves"] is None and framing["of_aspect"] < LITTLE:
        kept = f"{framing['retained']:.0%}"
        said.append(
            f"its crop keeps {kept} of the photos; see its report for what costs the most, or choose another hold"
        )
    return said


def across(size, framing, origins):
    """What is said where upright photos make a clip that is wider than high unasked: a sentence, or none."""
    width, height = framing["output"]
    if size[0] >= size[1] or width <= height or "aspect" in origins:
        return []
    kept = f"its crop keeps {framing['retained']:.0%} of the photos, which stand upright"
    return [f"{kept}; for an upright clip write 'aspect: \"9:16\"' into its shoot.yaml, or '16:9' to keep this one"]


def unprocessed(taken, path, warps, framing, rate, thumbnail):
    """Write the clip of the photos as taken, one after the other, as all of them would fill the memory.

    Returns pictures of its photos, `thumbnail` wide, {photo: see pages.picture}, and the column through the hold point
    of every frame, (h, n, 3).
    """
    x = int((warps["hold"][0] + 0.5) / taken.proxies.light_scale)
    near, thumbnails, columns = {}, {}, []
    with taken.clip(path, warps, framing, rate) as write:
        for k, frame in enumerate(warps["frames"]):
            near = {name: near[name] if name in near else taken.small(name) for name, _ in frame}
            thumbnails |= {name: pages.picture(near[name], thumbnail) for name in near if name not in thumbnails}
            picture = near[mostly(frame)]
            columns.append(picture[:, x].copy())
            write(k, picture)
    return thumbnails, np.stack(columns, 1)


def unsteadied(taken, warps, framing, k, picture):
    """What the clip's frame k would show without steadying: its photo in its crop; picture: the whole photo."""
    width = round(picture.shape[1] * framing["crop"][2] / warps["size"][0])
    size = (width, round(width * framing["output"][1] / framing["output"][0]))
    return taken.in_crop(picture, taken.crop(warps, framing, k), size)


def pairs(frames, befores, afters):
    """The first, middle and last frame of the clip, each as photographed and as in the clip."""
    found, places = [], first_middle_last(len(frames))
    for title, k, before, after in zip(("First", "Middle", "Last"), places, befores, afters, strict=True):
        height, width = after.shape[:2]
        before = cv2.resize(before, (width, height), interpolation=cv2.INTER_CUBIC)
        both = {"before": pages.picture(before), "after": pages.picture(after)}
        found.append(both | {"title": title, "frame": k + 1, "photos": [name for name, _ in frames[k]]})
    return found


def slits(*strips):
    """The column through the hold point of every frame side by side: as photographed, and in the clip."""
    return [pages.picture(cv2.resize(strip, SLITS, interpolation=cv2.INTER_NEAREST)) for strip in strips]


def local_shifts(photos):
    """How far the grids of local shifts reach, photo pixels: {usual, most}, or None where there are none."""
    reach = [np.abs(p["grid"]).max() for p in photos if p["placed"] and p["grid"] is not None]
    return {"usual": float(np.median(reach)), "most": float(max(reach))} if reach else None


def plan(taken, warps, track, framing, named):
    """The reference photo with what is drawn on it; places in per cent of it, from the top left corner.

    named: the reference photo by the settings, or None where they leave it to the audit: then what is chosen on the
    photo has to name it.
    """
    size = np.array(warps["size"])
    hold = (np.array(warps["hold"]) + 0.5) / size
    own = [p["matrix"] for p in warps["photos"] if p["name"] == warps["reference"] and p["placed"]]
    left, top, width, height = framing["crop"]
    corners = np.array([[left, top], [left + width, top], [left + width, top + height], [left, top + height]])
    on_photo = np.column_stack([corners, np.ones(4)]) @ np.array(own[0] if own else np.eye(3)).T
    on_photo = on_photo[:, :2] / on_photo[:, 2:]
    covered = taken.proxies.light_scale * np.array(taken.proxies.light_shape[::-1])
    return {
        "reference": None if named else pages.line({"reference": warps["reference"]}),
        "picture": pages.picture(taken.fine(warps["reference"], SHOWN)),
        "covered": (100 * covered / size).tolist(),
        "aspect": size.tolist(),
        "crop": (100 * (on_photo + 0.5) / size).tolist(),
        "hold": (100 * hold).tolist(),
        "candidates": [
            place | {"held": max(abs(hold - (place["x"], place["y"]))) < HELD} for place in track["candidates"]
        ],
    }


def all_charts(limits, taken, warps, framing, records, aims, measured, gains):
    """The charts (see files.reporting.charts). limits: the settings of the audit; records: {photo: ingest's}."""
    photos = warps["photos"]
    seconds = [records[p["name"]]["seconds"] for p in photos]
    intervals = np.diff([np.nan, *(np.nan if s is None else s for s in seconds)])
    usual = np.nanmedian(intervals) if np.isfinite(intervals).any() else np.nan
    frame_of = {name: k for k, parts in enumerate(warps["frames"]) for name, _ in parts}
    placed = [p["placed"] and p["name"] in frame_of for p in photos]
    shown = [p for p, is_placed in zip(photos, placed, strict=True) if is_placed]
    kept = np.full(len(photos), np.nan)
    crops = [taken.crop(warps, framing, frame_of[p["name"]]) for p in shown]
    kept[placed] = report.kept_areas(crops, [p["matrix"] for p in shown], warps["size"])
    levels = np.array([taken.proxies.light(p["name"])[0].mean() for p in photos])
    scale = report.to_1080p(framing["output"]) * framing["output"][0] / framing["crop"][2]
    said = {"aim": scale * limits["aim"] * max(warps["size"]), "interval": usual * (1 + limits["interval"])}
    return charts.charts(photos, aims, kept, levels, measured, gains, intervals, said)


if __name__ == "__main__":
    stage.run(main)
