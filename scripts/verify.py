"""Read all photos of a shoot, and their copies, and compare them with their checksums of when they were first seen.

Output verified.json
  when     when it was done, ISO 8601
  photos   how many photos are what they were
  copies   how many copies are, or null where there are none
"""

import _workflow  # noqa: F401
import datetime
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from files import checked, manifest, stage


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--folder", required=True, help="the shoot's folder")
    parser.add_argument("--name", required=True, help="the shoot's name")
    parser.add_argument("--history", required=True, help="the folder that holds the manifests")
    parser.add_argument("--copy-to", default="")
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"audit": {"replaced": [names]}}')
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    known = {name: (value, since[:10]) for name, (value, since) in manifest.original(args.history).items()}
    now = manifest.latest(args.history)
    for name in set(args.settings["audit"]["replaced"]) & known.keys():
        if name in now:
            known[name] = now[name], ""
        else:
            del known[name]
    with ThreadPoolExecutor(args.threads) as pool:
        wrong, photos = compare(Path(args.folder), known, pool)
        copies = None
        if args.copy_to:
            copied = manifest.original(Path(args.copy_to, args.name))
            copied = {name: (value, since[:10]) for name, (value, since) in copied.items()}
            amiss, copies = compare(Path(args.copy_to, args.name), copied, pool)
            wrong += amiss
    if wrong:
        more = f" and {len(wrong) - 3} more" if len(wrong) > 3 else ""
        raise stage.StageError(
            f"{'; '.join(wrong[:3])}{more}: copy from the card or from another copy again, or "
            "name in audit.replaced what you replaced or took out"
        )
    stage.write_json(
        args.out,
        {
            "when": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
            "photos": photos,
            "copies": copies,
        },
    )


def compare(folder, known, pool):
    """What is wrong with the files of a folder, against {path: (checksum, since when)}: sentences without end; and how
    many of the files are there.

    A file that is gone is missed unless there is one that was the same, under another name or in another folder.
    """
    here = {name: value for name, (value, _) in known.items() if (folder / name).exists()}
    same = set(here.values())

    def judge(name):
        value, since = known[name]
        path = folder / name
        if name not in here:
            return None if value in same else f"{path} is gone"
        return None if checked.checksum(path) == value else f"{path} is not what it was when first seen, {since}"

    return [said for said in pool.map(judge, sorted(known)) if said], len(here)


if __name__ == "__main__":
    stage.run(main)
