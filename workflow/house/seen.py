"""Which photos are unchanged since they were last seen."""

import json
import os
from pathlib import Path

from files.checked import checksum
from house.listing import check_size


def identities(shoot, results_dir):
    """What stands for each photo's content, without reading it where size and time stamp are as remembered.

    Returns {name: token}. A photo seen for the first time is known by its size and time stamp. One
    whose time stamp changed is read and compared with the checksum that ingest took: with the same
    content it keeps its token, so that a touched photo reruns nothing.
    Raises SettingsError for what cannot be a photo.
    """
    table_file = Path(results_dir, ".kerbwalk", "seen", shoot.id + ".json")
    table = _read(table_file) or {}
    checksums = None
    seen = {}
    for name in shoot.photos:
        stat = os.stat(shoot.folder / name)
        check_size(shoot.folder / name, stat)
        now = [stat.st_size, stat.st_mtime_ns]
        known = table.get(name)
        if known is None:
            seen[name] = [*now, f"{now[0]}-{now[1]}"]
        elif known[:2] == now:
            seen[name] = known
        else:
            if checksums is None:
                ingested = _read(Path(results_dir, shoot.id, "work", "ingest.json")) or {"photos": []}
                checksums = {p["name"]: (p["bytes"], p["checksum"]) for p in ingested["photos"]}
            same = checksums.get(name) == (now[0], checksum(shoot.folder / name))
            seen[name] = [*now, known[2] if same else f"{now[0]}-{now[1]}"]
    if seen != table:
        write_quickly(table_file, seen)
    return {name: entry[2] for name, entry in seen.items()}


def write_quickly(path, table):
    """Write a small table for the next start, if it is not there already, whole but not synced: each shoot has one, and
    after a power cut the next run writes it again.
    """
    text = json.dumps(table, ensure_ascii=False)
    if path.exists() and path.read_text(encoding="utf-8") == text:
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(path.name + ".new")
    new.write_text(text, encoding="utf-8")
    new.replace(path)


def _read(path):
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except ValueError:  # cut short by a crash: as if it had never been
        return None
