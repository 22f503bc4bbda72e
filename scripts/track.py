"""Follow the hold point over all photos.

Output track.json
  size        [width, height] of the photos, pixels
  focal35     35 mm-equivalent focal length in mm, or null
  reference   file name of the reference photo
  hold        [x, y] of the hold point in the reference, photo pixels
  candidates  [{x, y (fractions), score}], places that could be held, best first; empty unless hold is auto
  photos      one record a photo of the clip, in order: name, and either problem (text), or hold [x, y] (photo pixels),
              lean (radians), scale (against the reference), inliers (matched corners), likeness (0..1)
"""

import json
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

import _workflow  # noqa: F401
from files import stage
from files.proxies import Proxies
from kerbwalk import track
from kerbwalk.pixels import enlarged, reduced


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"hold": "auto" or [x, y]}')
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
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
        placed = track.follow_shoot(grey_reader, len(order), middle, hold, pool.map)
    photos = [described(name, one, to_photo) for name, one in zip(order, placed, strict=True) if name in names]
    stage.write_json(
        args.out,
        {
            "size": size.tolist(),
            "focal35": record["focal35"],
            "reference": reference,
            "hold": to_photo(hold),
            "candidates": candidates,
            "photos": photos,
        },
    )


def described(name, placed, to_photo):
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
    }


if __name__ == "__main__":
    stage.run(main)
