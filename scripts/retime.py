"""Give a picture's clip another pace.

Output
  out  warps.json as steady writes it, with other `frames`: those of the retimed clip, [photo name, share] each; a photo
       as it is seen from between two is one more of the photos, with a name of its own and its file's name as `photo`
"""

import _workflow  # noqa: F401
import functools
import json
from fractions import Fraction

import numpy as np

from files import stage
from files.warps import read_warps
from kerbwalk import retime


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"rate": "24/1", "pace": {...}}')
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    warps = read_warps(args.warps)
    frames = retime.retimed(warps["frames"], float(Fraction(args.settings["rate"])), args.settings["pace"])
    places, seen = {p["name"]: k for k, p in enumerate(warps["photos"])}, {}

    @functools.cache
    def pair(first, last, part):
        return between(warps["photos"][places[first] : places[last] + 1], part, warps["size"])

    def named(photo):
        if isinstance(photo, str):
            return photo
        name = "{} to {}, {:.6f}, {}".format(*photo)
        *place, which = photo
        seen[name] = pair(*place)[which] | {"name": name}
        return name

    frames = [[(named(photo), share) for photo, share in frame] for frame in frames]
    stage.write_json(args.out, warps | {"frames": frames, "photos": [*warps["photos"], *seen.values()]})


def between(way, part, size):
    """The records of the first and the last photo of a way, as they are seen from between them (retime.views)."""
    scale = (1 - part) * way[0]["scale"] + part * way[-1]["scale"]
    return [
        photo | {"matrix": matrix.tolist(), "grid": np.round(grid, 3), "photo": photo["name"], "scale": scale}
        for photo, (matrix, grid) in zip((way[0], way[-1]), retime.views(way, part, size), strict=True)
    ]


if __name__ == "__main__":
    stage.run(main)
