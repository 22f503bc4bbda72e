"""Find hot and dead sites of the sensor from the shoot's photos, after the dark frame, if there is one, is taken off.

Output hot.json
  photos  file names of the photos that were asked; none where the photos have no mosaic, or are too few
  size    [width, height] of the sensor as it lies in the file, or null
  sites   [[x, y], ...] of its odd sites, and of those that glare in a dark frame, pixels, not turned upright
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
    taken, asked, shape, most = dark.read(args.dark), [], None, 0

    def mosaics():
        nonlocal shape, most
        for name, path in (usable[k] for k in hot.chosen(len(usable))):
            mosaic = read_mosaic(path, checked.read_photo(path, records[name]))
            if mosaic is not None and shape in (None, mosaic.values.shape):
                most = max(most, int(mosaic.values.max())) if taken else 0
                dark.take_off(mosaic, taken, name)
                shape = mosaic.values.shape
                asked.append(name)
                yield mosaic

    sites = hot.sites(mosaics())
    if most:
        covered = taken[1].values, taken[1].black, most
        if hot.lit(*covered):
            raise stage.StageError(
                f"{args.dark}: the dark frame shows lights like the photos'; name one taken with the lens covered, "
                "or none"
            )
        sites = np.unique(np.vstack([sites, hot.glaring(*covered)]), axis=0)
    stage.write_json(
        args.out,
        {
            "photos": sorted(asked) if len(asked) >= hot.LEAST else [],
            "size": shape and [shape[1], shape[0]],
            "sites": sites.tolist(),
        },
    )


if __name__ == "__main__":
    stage.run(main)
