"""Find hot and dead sites of the sensor from the shoot's photos, after the dark frame, if there is one, is taken off.

Output hot.json
  photos  file names of the photos that were asked; none where the photos have no mosaic, or are too few
  size    [width, height] of the sensor as it lies in the file, or null
  sites   [[x, y], ...] of its odd sites, pixels, not turned upright
"""

import _workflow  # noqa: F401
import json

import numpy as np

from files import checked, dark, stage
from files.photo import read_mosaic
from kerbwalk import hot, ingest


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--photos", nargs="+", required=True)
    parser.add_argument("--names", required=True, type=json.loads, help="JSON: the photos' file names")
    parser.add_argument("--dark", nargs="?", const=None, help="a raw file taken with the lens covered")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    named = list(zip(args.names, args.photos, strict=True))
    photos = stage.read_json(args.ingest)["photos"]
    records = {record["name"]: record for record in photos}
    usable = ingest.usable(photos, named)
    taken = dark.read(args.dark)
    total, asked = None, []
    for name, path in (usable[k] for k in hot.chosen(len(usable))):
        mosaic = read_mosaic(path, checked.read_photo(path, records[name]))
        if mosaic is None or (total is not None and total.shape[1:] != mosaic.values.shape):
            continue
        dark.take_off(mosaic, taken, name)
        if total is None:
            total, steps = np.zeros((2, *mosaic.values.shape), np.float32), hot.neighbours(mosaic.pattern)
        hot.add(mosaic.values, steps, total, len(asked))
        asked.append(name)
    enough = len(asked) >= hot.LEAST
    stage.write_json(
        args.out,
        {
            "photos": sorted(asked) if enough else [],
            "size": None if total is None else [total.shape[2], total.shape[1]],
            "sites": hot.sites(total, len(asked)).tolist() if enough else [],
        },
    )


if __name__ == "__main__":
    stage.run(main)
