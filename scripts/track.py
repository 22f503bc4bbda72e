"""Find where the hold point lies in every photo.

Outputs
track.json
  size        [width, height] of the photos, pixels
  focal35     35 mm-equivalent focal length in mm, or null
  reference   file name of the reference photo
  hold        [x, y] of the hold point in the reference, photo pixels
  level       [[x, y], [x, y]] of the level points there, or null
  candidates  [{x, y (fractions), score}], places that could be held, best first; the first is held where hold is auto
  photos      one record a photo of the clip, in order: name, and either problem (text), or hold [x, y] (photo pixels),
              lean (radians), scale (against the reference), inliers (matched corners), likeness (0..1), sigma (of
              hold, photo pixels), said (true where the settings say where the hold point lies), level [[x, y], [x, y]]
              (photo pixels) or null
"""

import _workflow  # noqa: F401
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields

import cv2
import numpy as np

from files import stage
from files.proxies import Proxies
from kerbwalk import follow, survey, track
from kerbwalk.pixels import enlarged, reduced

# Photo pixels from where it was found at which the photographer's word means that the whole photo was misread.
MISREAD = 12.0
# Two points tell a direction that are no nearer to each other than this part of the photo's longer side.
LEAST_LINE = 0.05


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--sights", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: hold, hold_in, level")
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    shoot, audit, proxies = stage.read_json(args.ingest), stage.read_json(args.audit), Proxies(args.proxies)
    names, reference, scale = audit["photos"], audit["reference"], proxies.grey_scale
    record = next(p for p in shoot["photos"] if p["name"] == reference)
    # A reference that the clip leaves out comes after its photos.
    order = names if reference in names else [*names, reference]
    middle = order.index(reference)
    size = np.array([record["width"], record["height"]])
    with np.load(args.sights) as sights:
        followed = follow.Followed(*(sights[field.name] for field in fields(follow.Followed))).reduced(scale)

    def grey(k):
        return proxies.grey(order[k])

    def to_photo(point):
        return enlarged(point, scale).tolist()

    level = args.settings["level"]
    if level and np.hypot(*(size * np.subtract(*level))) < LEAST_LINE * size.max():
        raise stage.StageError(
            "'level' names two points that lie too close to tell a direction; give the ends of a line"
        )
    level = None if level is None else reduced(np.array(level) * size - 0.5, scale)
    found = track.choose_hold(followed, grey(middle).shape[::-1], middle)
    candidates = [
        {"x": (x + 0.5) / size[0], "y": (y + 0.5) / size[1], "score": score}
        for (x, y), score in ((to_photo(point), score) for point, score in found)
    ]
    chosen = args.settings["hold"]
    hold = found[0][0] if chosen == "auto" else reduced(np.array(chosen) * size - 0.5, scale)
    with ThreadPoolExecutor(args.threads) as pool:
        placed = track.place(grey, followed, middle, hold, pool.map, level)
        if survey.doubtful(placed, followed, middle, hold, grey(middle).shape[1]):
            placed = survey.place(grey, followed, placed, middle, hold, record["focal35"], level, pool.map)
    photos = [described(name, one, to_photo, scale) for name, one in zip(order, placed, strict=True)]

    def reread(k, point, like):
        read, reach = reduced(np.array(point) * size - 0.5, scale), track.exactness(point) * size / scale
        found = track.reread(grey(middle), grey(k), hold, read, like["lean"], like["scale"], reach)
        return np.array(to_photo(found))

    said(photos, args.settings["hold_in"], reread)
    stage.write_json(
        args.out,
        {
            "size": size.tolist(),
            "focal35": record["focal35"],
            "reference": reference,
            "hold": to_photo(hold),
            "level": None if level is None else to_photo(level),
            "candidates": candidates,
            "photos": photos[: len(names)],
        },
    )


def described(name, placed, to_photo, scale):
    """One photo's record."""
    if isinstance(placed, str):
        return {"name": name, "problem": placed}
    return {
        "name": name,
        "hold": to_photo(placed.hold),
        "lean": placed.lean,
        "scale": placed.scale,
        "inliers": placed.inliers,
        "likeness": placed.likeness,
        "sigma": placed.sigma * scale,
        "said": False,
        "level": None if placed.level is None else to_photo(placed.level),
    }


def said(photos, points, reread):
    """Put the hold point where the photographer says it lies.

    points: {name: fractions}; reread: a function of a photo's index, a point and a record with the photo's lean and
    scale, that gives the point (2,) in photo pixels.
    """
    places = {photo["name"]: k for k, photo in enumerate(photos)}
    known = [k for k, photo in enumerate(photos) if "problem" not in photo]
    for name, point in points.items():
        # What the clip leaves out, as a photo that was damaged since, needs no place; the others' clip is made.
        if name not in places:
            continue
        k = places[name]
        # A photo that could not be placed is taken for one as level and as near as the next one.
        like = photos[min(known, key=lambda j: abs(j - k))]
        own = photos[k] if "problem" not in photos[k] else {key: like[key] for key in ("lean", "scale")}
        point = reread(k, point, own)
        found = np.hypot(*(np.array(own["hold"]) - point)) if "hold" in own else np.inf
        photos[k] = {
            "name": name,
            "hold": point.tolist(),
            "lean": own["lean"],
            "scale": own["scale"],
            "inliers": own.get("inliers", 0) if found < MISREAD else 0,
            "likeness": 1.0,
            "sigma": 0.0,
            "said": True,
            "level": own.get("level") if found < MISREAD else None,
        }


if __name__ == "__main__":
    stage.run(main)
