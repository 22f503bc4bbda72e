"""Take in a shoot's photos: read each once, check that it opens, put them in the order they were taken.

Output ingest.json
  photos      one record a photo, in the order taken, unreadable ones last; see
              files.photo.read_metadata (times in seconds, focal lengths in mm, sizes in pixels)
  reference   file name of the photo whose as-shot balance decoding uses
  balance     its white-balance multipliers, red, green, blue (green = 1)
"""

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import _workflow  # noqa: F401
from files import stage
from files.photo import read_metadata
from kerbwalk import ingest


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--folder", required=True, help="the shoot's folder")
    parser.add_argument("--names", required=True, type=json.loads, help="JSON: the photos' file names")
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"reference": file name or null}')
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    paths = [Path(args.folder, name) for name in args.names]
    with ThreadPoolExecutor(args.threads) as pool:
        records = list(pool.map(read_metadata, paths))
    usable = [r for r in records if not r["problem"]]
    if not usable:
        raise stage.StageError(
            f"{args.folder}: none of the {len(records)} photos can be read; the first, {records[0]['name']}, "
            f"{records[0]['problem']}; copy them from the card again"
        )
    usable = [usable[k] for k in ingest.capture_order([(r["time"], r["subsecond"], r["name"]) for r in usable])]
    named = [r for r in usable if r["name"] == args.settings["reference"]]
    reference = named[0] if named else usable[len(usable) // 2]
    stage.write_json(
        args.out,
        {
            "reference": reference["name"],
            "balance": reference["neutral"] or reference["daylight"] or [1.0, 1.0, 1.0],
            "photos": [*usable, *(r for r in records if r["problem"])],
        },
    )


if __name__ == "__main__":
    stage.run(main)
