"""Follow corners that last, and find straight edges, over all photos.

Outputs
sights.npz, one line each time that a lasting corner was seen
  photo  int (m,), index into the photos of audit.json; a reference that the clip leaves out comes after these
  point  int (m,), which corner
  at     float64 (m, 2), photo pixels
one line a photo
  source  int (n,), index of the photo whose corners were followed into it, -1 where too little matched
  direct  bool (n,), whether corners of the reference were followed into it
  lies    float64 (n, 3, 3), about where the reference's points lie in it, photo pixels; NaN where source is -1
and one line for each straight edge that was seen in some of the photos (workflow/kerbwalk/edges.py)
  edge_photo  int (e,), index of the photo
  edge        float64 (e, 2, 2), both ends' x, y, photo pixels
"""

import _workflow  # noqa: F401
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from files import stage
from files.proxies import Proxies
from kerbwalk import edges, follow
from kerbwalk.pixels import enlarged
from kerbwalk.registration import encode


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True, help="sights.npz")
    args = parser.parse_args()

    cv2.setNumThreads(1)
    audit, proxies = stage.read_json(args.audit), Proxies(args.proxies)
    names, reference, scale = audit["photos"], audit["reference"], proxies.grey_scale
    # The reference is followed even where the clip leaves it out, from where it was taken.
    places = {name: k for k, name in enumerate([*names, reference] if reference not in names else names)}
    order = [p["name"] for p in stage.read_json(args.ingest)["photos"] if p["name"] in places]
    number = np.array([places[name] for name in order])
    looked = edges.looked_at(len(names))
    with ThreadPoolExecutor(args.threads) as pool:
        found = follow.follow_shoot(lambda k: proxies.grey(order[k]), len(order), order.index(reference), pool.map)
        seen = list(pool.map(lambda k: edges.found(encode(proxies.grey(names[k]))), looked))
    with stage.whole(args.out) as temporary, open(temporary, "wb") as file:
        straight = {"edge_photo": np.repeat(looked, [len(one) for one in seen])}
        straight["edge"] = enlarged(np.concatenate(seen), scale)
        np.savez(file, **vars(found.numbered(number).enlarged(scale)), **straight)


if __name__ == "__main__":
    stage.run(main)
