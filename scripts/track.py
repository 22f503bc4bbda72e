"""Follow the hold point, and corners that last, over all photos.

Outputs
sights.npz, one line each time that a lasting corner was seen
  photo  int (m,), index into the photos of track.json, -1 for a reference that the clip leaves out
  point  int (m,), which corner
  at     float64 (m, 2), photo pixels
and one line for each straight edge that was seen in some of the photos (workflow/kerbwalk/edges.py)
  edge_photo  int (e,), index of the photo
  edge        float64 (e, 2, 2), both ends' x, y, photo pixels
track.json
  size        [width, height] of the photos, pixels
  focal35     35 mm-equivalent focal length in mm, or null
  reference   file name of the reference photo
  hold        [x, y] of the hold point in the reference, photo pixels
  level       [[x, y], [x, y]] of the level points there, or null
  candidates  [{x, y (fractions), score}], places that could be held, best first; empty unless hold is auto
  photos      one record a photo of the clip, in order: name, and either problem (text), or hold [x, y] (photo pixels),
              lean (radians), scale (against the reference), inliers (matched corners), likeness (0..1), sigma (of
              hold, photo pixels), said (true where the settings say where the hold point lies), level [[x, y], [x, y]]
              (photo pixels) or null
"""

import _workflow  # noqa: F401
import json
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from files import stage
from files.proxies import Proxies
from kerbwalk import edges, track
from kerbwalk.pixels import enlarged, reduced
from kerbwalk.registration import encode

# Photo pixels from where it was found at which the photographer's word means that the whole photo was misread.
MISREAD = 12.0


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: hold, hold_in, level")
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
    parser.add_argument("--sights", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    shoot, audit = stage.read_json(args.ingest), stage.read_json(args.audit)
    names, reference = audit["photos"], audit["reference"]
    record = next(p for p in shoot["photos"] if p["name"] == reference)
    # The reference is followed even where the clip leaves it out; it then goes before the others.
    order = names if reference in names else [reference, *names]
    middle = order.index(reference)
    scale = Proxies(args.proxies).grey_scale
    size = np.array([record["width"], record["height"]])

    def grey_reader():
        proxies = Proxies(args.proxies)
        return lambda k: proxies.grey(order[k])

    def to_photo(point):
        return enlarged(point, scale).tolist()

    level = args.settings["level"]
    level = None if level is None else reduced(np.array(level) * size - 0.5, scale)
    candidates = []
    if args.settings["hold"] == "auto":
        found = track.choose_hold(grey_reader(), len(order), middle)
        hold = found[0][0]
        candidates = [
            {"x": (x + 0.5) / size[0], "y": (y + 0.5) / size[1], "score": score}
            for (x, y), score in ((to_photo(point), score) for point, score in found)
        ]
    else:
        hold = reduced(np.array(args.settings["hold"]) * size - 0.5, scale)
    with ThreadPoolExecutor(args.threads) as pool:
        placed, sights = track.follow_shoot(grey_reader, len(order), middle, hold, pool.map, level)
        looked, left_out = edges.looked_at(len(names)), int(reference not in names)
        grey = grey_reader()
        seen = list(pool.map(lambda k: edges.found(encode(grey(k + left_out))), looked))
    photos = [described(name, one, to_photo, scale) for name, one in zip(order, placed, strict=True)]
    said(photos, {name: np.array(point) * size - 0.5 for name, point in args.settings["hold_in"].items()})
    photo, point, at = sights
    with stage.whole(args.sights) as temporary, open(temporary, "wb") as file:
        straight = {"edge_photo": np.repeat(looked, [len(one) for one in seen]), "edge": np.concatenate(seen)}
        straight["edge"] = enlarged(straight["edge"], scale)
        np.savez(file, photo=photo - left_out, point=point, at=enlarged(at, scale), **straight)
    stage.write_json(
        args.out,
        {
            "size": size.tolist(),
            "focal35": record["focal35"],
            "reference": reference,
            "hold": to_photo(hold),
            "level": None if level is None else to_photo(level),
            "candidates": candidates,
            # A reference that the clip leaves out is none of its photos.
            "photos": photos[left_out:],
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


def said(photos, points):
    """Put the hold point where the photographer says it lies. points: {name: (2,) photo pixels}."""
    places = {photo["name"]: k for k, photo in enumerate(photos)}
    known = [k for k, photo in enumerate(photos) if "problem" not in photo]
    for name, point in points.items():
        if name not in places:
            raise stage.StageError(f"'hold_in' names {name}, which is no photo of the clip; give a photo's file name")
        k = places[name]
        # A photo that could not be placed is taken for one as level and as near as the next one.
        like = photos[min(known, key=lambda j: abs(j - k))]
        own = photos[k] if "problem" not in photos[k] else {key: like[key] for key in ("lean", "scale")}
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
