"""Measure each photo's flicker and settle one gain for it.

Output gains.csv, one row a photo of the clip, in order; stops unless said
  photo           file name
  known_step      exposure by the camera's settings, against the reference photo's
  estimated_gain  the photo's light with known_step taken out, against the shoot's mean
  kept_trend      its smooth part, which the clip shows
  applied_gain    what compose multiplies by, as 2^applied_gain
  confidence      0..1; 0 where nothing corresponded and the gain is by the settings alone
  pixels          proxy pixels behind the estimate
"""

import csv
import json

import cv2
import numpy as np

import _workflow  # noqa: F401
from files import stage
from files.proxies import Proxies
from kerbwalk import exposure, light
from kerbwalk.pixels import enlarging, reduced

COLUMNS = ("photo", "known_step", "estimated_gain", "kept_trend", "applied_gain", "confidence", "pixels")


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"light": {...}}')
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    warps = stage.read_json(args.warps)
    photos = warps["photos"]
    records = {p["name"]: p for p in stage.read_json(args.ingest)["photos"]}
    known = known_steps([records[name] for name in (warps["reference"], *(p["name"] for p in photos))])
    placed = [k for k, p in enumerate(photos) if p["placed"]]
    ratios = measure(warps, placed, Proxies(args.proxies))
    levels, sigmas = light.levels(len(photos), ratios)
    estimated, kept, applied = light.deflicker(levels, known, args.settings["light"]["keep_slower_than"])
    pixels = {k: [r.pixels for pair, r in ratios.items() if k in pair] for k in placed}
    with stage.whole(args.out) as temporary, open(temporary, "w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        for k, photo in enumerate(photos):
            sure = float(np.exp(-sigmas[k] / 0.01)) if np.isfinite(sigmas[k]) else 0.0
            numbers = (known[k], estimated[k], kept[k], applied[k], sure)
            row = [f"{v:.6f}" if np.isfinite(v) else "" for v in numbers]
            table.writerow([photo["name"], *row, int(np.median(pixels.get(k) or [0]))])


def known_steps(records):
    """Exposure of all photos but the first, in stops against that one, the reference; 0 where unknown."""
    values = np.array([[r[key] or np.nan for key in ("shutter", "aperture", "iso")] for r in records], float)
    # A lens without contacts leaves no aperture; what all photos lack cannot have been changed by the camera.
    values[:, np.isnan(values).all(axis=0)] = 1.0
    stops = exposure.known_stops(*values.T)
    if np.isnan(stops[0]):
        return np.zeros(len(stops) - 1)
    return np.nan_to_num(stops[1:] - stops[0])


def measure(warps, placed, proxies):
    """Brightness ratios between photos a few steps apart: {(i, j): Ratio}."""
    photos, ratios, laid = warps["photos"], {}, {}
    hold = reduced(warps["hold"], proxies.light_scale)
    for position, k in enumerate(placed):
        laid[k] = lay(photos[k], warps["hold"], proxies)
        for step in light.STEPS:
            if position >= step:
                j = placed[position - step]
                found = light.ratio(*laid[j], *laid[k], hold, k - j)
                if found:
                    ratios[j, k] = found
        laid.pop(placed[position - max(light.STEPS)] if position >= max(light.STEPS) else None, None)
    return ratios


def lay(photo, hold, proxies):
    """A photo's light proxy laid on the reference's, at the proxies' scale: grey, and where it can be trusted.

    The warp steadies but leaves the size that the walk changes; here the hold point's surroundings are
    brought to the reference's size as well.
    """
    rgb, clipped = proxies.light(photo["name"])
    height, width = clipped.shape
    up = enlarging(proxies.light_scale)
    size = photo["scale"]
    about_hold = np.array([[size, 0, hold[0] * (1 - size)], [0, size, hold[1] * (1 - size)], [0, 0, 1]])
    matrix = np.linalg.inv(up) @ np.array(photo["matrix"]) @ about_hold @ up
    stack = np.dstack([rgb @ np.float32([0.25, 0.5, 0.25]), clipped, np.ones_like(clipped)]).astype(np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    grey, clip, inside = cv2.split(cv2.warpPerspective(stack, matrix, (width, height), flags=flags))
    return grey, light.usable(grey, clip, inside > 0.999)


if __name__ == "__main__":
    stage.run(main)
