"""Take in a shoot's photos: read each once, check that it opens, put them in the order they were taken.

Output ingest.json
  photos      one record a photo, in the order taken, unreadable ones last; see files.photo.read_photo (times in
              seconds, focal lengths in mm, sizes in pixels), and
                seconds   since the first photo, by a clock that nobody has set meanwhile, or null
                glance    what a quick look at the sensor data tells (kerbwalk.glance), or null: level, bright,
                          clipped, broken
  balance     white-balance multipliers that decoding uses, red, green, blue (green = 1): those of the middle photo
  order       how the order was found: list of {code, photos, message}
  changed     photos with another checksum than when first seen: list of {name, was, since}
Output glance.npz
  names       (n,) file names
  small       float16 (n, h, w), light of all colours together, 1 at the sensor's white, upright; only photos of the
              commonest size
  detail      float32 (n, 2, rows, columns), energy of fine detail across and down in tiles
Output frames.csv, one row a photo in the order taken, empty where the file does not say
  photo       path in the shoot's folder
  time        the camera's clock, ISO 8601 with the fraction of a second; offset: its zone, minutes east of UTC
  seconds     since the first photo (see above); interval: since the photo before
  shutter     s; aperture: f-number; iso; focal, focal35: mm, and as equivalent for 35 mm film
  camera, lens; width, height: pixels, upright; orientation: EXIF's number
  level       mean light in stops, 0 at the sensor's white; clipped: part of the pixels
  bytes       size of the file; checksum: XXH128; problem: why it cannot be used
The folder `ascmhl` beside the results tells which photo had which checksum when (files.manifest).
"""

import _workflow  # noqa: F401
import csv
import datetime
import io
import json
import os
import tempfile
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from files import manifest, stage
from files.photo import read_photo
from kerbwalk import ingest

COLUMNS = (
    *("photo", "time", "offset", "seconds", "interval", "shutter", "aperture", "iso", "focal", "focal35", "camera"),
    *("lens", "width", "height", "orientation", "level", "clipped", "bytes", "checksum", "problem"),
)


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--folder", required=True, help="the shoot's folder")
    parser.add_argument("--names", required=True, type=json.loads, help="JSON: the photos' file names")
    parser.add_argument("--history", required=True, help="the folder that holds the manifests")
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
    parser.add_argument("--glance", required=True)
    parser.add_argument("--table", required=True)
    args = parser.parse_args()

    # The small pictures wait on the disk until the photos' order is known.
    with tempfile.TemporaryFile(dir=Path(args.glance).parent) as pile:
        take_in(args, pile)


def take_in(args, pile):
    """Read all photos, and write what is known of them; pile: an empty file for their small pictures."""
    names = args.names
    paths = [Path(args.folder, name) for name in names]
    records, glances = [], {}
    with ThreadPoolExecutor(args.threads) as pool:
        for name, (record, glance) in zip(names, pool.map(read, names, paths), strict=True):
            records.append(record)
            if glance:
                small = glance.pop("small")
                glances[name] = glance | {"place": pile.tell(), "bytes": small.nbytes, "shape": small.shape}
                pile.write(small.tobytes())
    if all(r["problem"] for r in records):
        raise stage.StageError(
            f"{args.folder}: none of the {len(records)} photos can be read; the first, {records[0]['name']}, "
            f"{records[0]['problem']}; copy them from the card again"
        )
    shoot = ingest.shoot(records)
    photos = shoot["photos"]
    fields = [
        {"path": name, "bytes": r["bytes"], "modified": os.stat(path).st_mtime, "checksum": r["checksum"]}
        for name, path, r in zip(names, paths, records, strict=True)
    ]
    changed = manifest.add(args.history, fields)
    write_glances(args.glance, photos, glances, pile)
    stage.write_text(args.table, table(photos))
    changed = [{"name": name, "was": was, "since": since} for name, was, since in changed]
    stage.write_json(args.out, shoot | {"changed": changed})


def read(name, path):
    """A photo's record, under its path in the shoot's folder, and its glance."""
    record, glance = read_photo(path)
    told = glance and {key: glance[key] for key in ("level", "bright", "clipped", "broken")}
    return record | {"name": name, "glance": told}, glance


def write_glances(path, photos, glances, pile):
    """The small pictures of the photos that have the commonest size.

    glances: {photo: kerbwalk.glance's, with the place, bytes and shape of the small picture in the file `pile`}.
    """
    size = ingest.common_size(photos)
    shown = [p["name"] for p in photos if not p["problem"] and (p["width"], p["height"]) == size]
    shown = [name for name in shown if name in glances]
    # Sideways and upright photos may have one size, but sensors of two cameras need not.
    shape = ingest.usual([glances[name]["shape"] for name in shown]) if shown else (1, 1)
    shown = [name for name in shown if glances[name]["shape"] == shape]
    detail = np.array([glances[name]["detail"] for name in shown], np.float32)
    with stage.whole(path) as temporary, zipfile.ZipFile(temporary, "w") as file:
        with file.open("small.npy", "w", force_zip64=True) as small:
            header = {"descr": "<f2", "fortran_order": False, "shape": (len(shown), *shape)}
            np.lib.format.write_array_header_1_0(small, header)
            for name in shown:
                pile.seek(glances[name]["place"])
                small.write(pile.read(glances[name]["bytes"]))
        for key, array in (("names", np.array(shown, dtype=str)), ("detail", detail)):
            with file.open(f"{key}.npy", "w", force_zip64=True) as entry:
                np.lib.format.write_array(entry, array)


def table(photos):
    """frames.csv as text."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    before = None
    for p in photos:
        moment = p["time"] and datetime.datetime.fromisoformat(p["time"]) + datetime.timedelta(seconds=p["subsecond"])
        interval = None if None in (before, p["seconds"]) else round(p["seconds"] - before, 3)
        before = p["seconds"]
        seen = p["glance"] or {}
        row = p | {
            "photo": p["name"],
            "time": moment and moment.isoformat(timespec="milliseconds"),
            "interval": interval,
            "orientation": p["orientation"] and int(p["orientation"]),
            **{key: round(seen[key], 6) for key in ("level", "clipped") if key in seen},
        }
        writer.writerow(row)
    return text.getvalue()


if __name__ == "__main__":
    stage.run(main)
