"""The page's charts: what each shows, in which unit, against which limit."""

import numpy as np

from files import pages
from kerbwalk import report

SIDES = ("sideways", "up and down")


def charts(photos, aims, kept, levels, measured, gains, intervals, limits):
    """The page's charts, by name.

    photos: those of warps.json; for each of them aims (n, 2), see aim(); kept (n,), see report.kept_areas(); levels
    (n,), mean linear light as photographed; gains: {photo: row of gains.csv}; intervals (n,), seconds since the photo
    before; limits: of the audit, {aim: 1080p pixels, interval: seconds}. measured: see clip.measure().
    """
    shaded = [k for k, p in enumerate(photos) if not p["placed"]]
    bridged = shaded if measured["frames"] == len(photos) else []
    levels = np.log2(np.maximum(levels, 1e-3))
    known, estimated, trend, applied = (
        np.array([gains[p["name"]][key] for p in photos])
        for key in ("known_step", "estimated_gain", "kept_trend", "applied_gain")
    )
    steps = [k for k in range(1, len(known)) if abs(known[k] - known[k - 1]) > 0.01]
    held = np.where(measured["seen"][:, None], measured["moves"], np.nan)
    aims, held = (list(zip(SIDES, values.T, strict=True)) for values in (aims, held))
    way, off = (np.array([p[key] if p["placed"] else np.nan for p in photos]) for key in ("way", "off"))
    walked = np.diff(way, prepend=np.nan)
    usual = np.nanmedian(np.abs(walked)) if np.isfinite(walked).any() else 1.0
    chart = pages.chart
    level, lasting = measured["level"], measured["lasting"]
    warned = f"the audit warns from {limits['aim']:.0f} px off the neighbours on"
    late = limits["interval"] if np.isfinite(limits["interval"]) else None
    in_photos = {"shaded": shaded, "over": "photos"}
    in_clip = {"shaded": bridged, "over": "frames"}
    return {
        "aim": chart("Before: where the camera was aimed", "px", aims, limit=warned, **in_photos),
        "held": chart("After: the hold point in the clip", "px", held, band=report.HOLD_BAR, **in_clip),
        "steps": chart("Length of each step", "usual steps", [("step", walked / usual)], **in_photos),
        "off": chart("Camera off the even walk", "‰ of the hold point's distance", [("off", 1000 * off)], **in_photos),
        "interval": chart(
            "Time since the photo before", "s", [("interval", intervals)], span=2, most=late, **in_photos
        ),
        "kept": chart("Area of the photo that its frame shows", "%", [("kept", 100 * kept)], span=4, **in_photos),
        "photographed": chart(
            "Before: level as photographed", "stops", [("level", levels - levels.mean())], 0.2, marks=steps, **in_photos
        ),
        "trend": chart(
            "What lasts: as measured, and what is kept",
            "stops",
            [("measured", known + estimated), ("kept", trend)],
            span=0.2,
            marks=steps,
            **in_photos,
        ),
        "gains": chart(
            "Gain applied, and the camera's settings",
            "stops",
            [("gain", applied), ("settings", known - known.mean())],
            span=0.2,
            marks=steps,
            **in_photos,
        ),
        "level": chart(
            "After: level of the clip",
            "%",
            [
                ("whole picture", 100 * (level / level.mean() - 1)),
                ("what lasts", 100 * (lasting / lasting.mean() - 1)),
            ],
            span=4,
            **in_clip,
        ),
        "deviation": chart(
            "After: deviation from the smooth curve",
            "%",
            [("what lasts", 100 * measured["deviation"])],
            band=report.FLICKER_BAR,
            shaded=sorted({*bridged, *np.flatnonzero(~measured["sure"])}),
            over="frames",
        ),
    }


def aim(photos, framing):
    """Where each photo saw the hold point, about the mean: (n, 2) in 1080p pixels, NaN where it did not."""
    scale = report.to_1080p(framing["output"]) * framing["output"][0] / framing["crop"][2]
    places = np.array([p.get("hold", [np.nan, np.nan]) for p in photos], float) * scale
    return places - np.nanmean(places, axis=0)
