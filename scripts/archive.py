"""Pack a finished shoot as a bag (BagIt, RFC 8493), to be kept; ./scripts/archive checks it, and makes the clip again.

Output
  out      a folder, the bag; what is in it: see files/bag.py
"""

import _workflow  # noqa: F401
import json
import os
from pathlib import Path
from urllib.parse import quote

from _snapshot import PARTS
from files import bag, stage

ROOT = Path(__file__).resolve().parents[1]
REPORT = "report.html"


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--name", required=True, help="the shoot's name")
    parser.add_argument("--folder", required=True, help="the shoot's folder")
    parser.add_argument("--also", required=True, type=json.loads, help="JSON: other files in it that the settings name")
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"night", "shoot"}')
    parser.add_argument("--results", required=True, help="the shoot's folder of results")
    parser.add_argument("--made", nargs="+", required=True, help="what to keep of them")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    wanted = args.settings["shoot"]["archive"]
    photos = stage.read_json(args.ingest)["photos"]
    tables = {
        "settings.json": args.settings,
        "photos.json": {
            "checksums": "XXH128",
            "photos": [{key: photo[key] for key in ("name", "bytes", "checksum")} for photo in photos],
        },
        "environment.json": bag.environment(),
    }
    folder = Path(args.folder)
    kept = [(folder / name, name, None) for name in args.also]
    if wanted["photos"]:
        kept += [(folder / photo["name"], photo["name"], photo["checksum"]) for photo in photos]
    # Its clips have the shoot's true name there, and the report calls them so: in the results it knows them by its id.
    own, true = f"{Path(args.results).name}_", f"{bag.portable(args.name)}_"
    inside = {os.path.relpath(path, args.results): path for path in args.made}
    report = Path(inside.pop(REPORT)).read_text(encoding="utf-8").replace(quote(own, safe=""), quote(true, safe=""))
    called = {at: true + at.removeprefix(own) if at.startswith(own) else at for at in inside}
    copies = [(path, f"results/{called[at]}") for at, path in inside.items()]
    if (written := folder / "shoot.yaml").exists():
        copies.append((written, written.name))
    copies += [(ROOT / part, f"code/{part}") for part in PARTS]
    texts = {f"results/{REPORT}": report, "README.txt": bag.read_me(args.name, len(photos), wanted["wheels"])}
    with stage.whole_folder(args.out) as temporary:
        if wanted["wheels"]:
            bag.download(ROOT, Path(temporary, "wheels"))
        bag.write(temporary, args.name, tables, texts, kept, copies)


if __name__ == "__main__":
    stage.run(main)
