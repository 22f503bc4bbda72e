"""Find the crop.

Output framing.json
  crop      [left, top, width, height] in pixels of the steadied plane (warps.json), edges and not pixel centres
  output    [width, height] of the master, pixels
  retained  part of the photo's area that the crop keeps, 0..1
  of_aspect part of the largest crop of this aspect that an unsteadied photo could give, 0..1
"""

import json

import numpy as np

import _workflow  # noqa: F401
from files import stage
from house.settings import ratio
from kerbwalk import decode, deliver, framing


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: aspect, deliverables")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    warps = stage.read_json(args.warps)
    size = warps["size"]
    aspect = ratio(args.settings["aspect"])
    box = deliver.largest_box(args.settings["deliverables"])
    output = deliver.output_size(box, aspect)
    to_plane = np.array([np.linalg.inv(p["matrix"]) for p in warps["photos"] if p["placed"]])
    # What the interpolation reads beyond its place: two output pixels and, rounded up, a decoded one.
    margin = 2 * min(s / o for s, o in zip(size, output, strict=True)) + decode.scale(*size, box) + 2
    try:
        crop = framing.crop(size, to_plane, output[0] / output[1], warps["hold"], margin)
    except ValueError as error:
        raise stage.StageError(f"{error}; choose a 'hold' further from the edges, or leave photos out") from None
    full = framing.crop(size, np.eye(3)[None], output[0] / output[1], (np.array(size) - 1) / 2, 0)
    stage.write_json(
        args.out,
        {
            "crop": crop,
            "output": output,
            "retained": crop[2] * crop[3] / (size[0] * size[1]),
            "of_aspect": crop[2] * crop[3] / (full[2] * full[3]),
        },
    )


if __name__ == "__main__":
    stage.run(main)
