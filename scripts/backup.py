"""Copy a shoot's folder to a second place: each file is written, read back, and compared with its checksum.

What is there already with the right content stays; so a copy that was killed goes on where it was. Nothing is ever
written over. The copies lie in COPY_TO/NAME, with a manifest of their own (files.manifest), which the tool of ASC MHL
verifies.

Output backup.json
  folder   where the copies lie
  files    how many there are, bytes: how much they hold
"""

import _workflow  # noqa: F401
from pathlib import Path

from files import checked, manifest, stage
from house.listing import files_in


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--folder", required=True, help="the shoot's folder")
    parser.add_argument("--name", required=True, help="the shoot's name")
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--copy-to", required=True)
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    source, target = Path(args.folder), Path(args.copy_to, args.name)
    if not Path(args.copy_to).is_dir():
        raise stage.StageError(
            f"{args.copy_to}: there is no such folder to copy to; make it, or correct ingest.copy_to"
        )
    # So that nothing there is ever taken for a shoot.
    Path(args.copy_to, ".kerbwalk-copy").touch()
    photos = {p["name"]: p["checksum"] for p in stage.read_json(args.ingest)["photos"]}
    others = [name for name in files_in(source) if name not in photos]
    fields = []
    for name in [*photos, *others]:
        try:
            found = checked.copy(source / name, target / name, photos.get(name))
        except checked.ChangedError as error:
            raise stage.StageError(f"{source / name} {error}; look at both, and move the wrong one away") from None
        stat = (target / name).stat()
        fields.append({"path": name, "bytes": stat.st_size, "modified": stat.st_mtime, "checksum": found})
    manifest.add(target, fields)
    stage.write_json(args.out, {"folder": str(target), "files": len(fields), "bytes": sum(f["bytes"] for f in fields)})


if __name__ == "__main__":
    stage.run(main)
