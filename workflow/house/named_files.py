"""The files that a shoot's settings name."""

import functools
import os
import shutil
from pathlib import Path

from files.checked import checksum
from files.stage import whole
from house.listing import check_size
from house.settings import SettingsError, nearest

ROOT = Path(__file__).parents[2]
# Settings that name a file.
FILES = ("dark", "look.cdl", "look.lut", "look.match", "look.display.config")
# Looks to choose from, and their kinds by ending.
LOOKS = ROOT / "config" / "looks"
LOOK_ENDINGS = {"cdl": (".cc", ".ccc", ".cdl"), "lut": (".cube", ".clf")}


def named_file(shoot, key):
    """Path of the file that a setting names, or None: in the shoot's folder or, for a look, in config/looks.

    key: the setting, such as "look.cdl". Raises SettingsError where the file is not there.
    """
    name = functools.reduce(lambda table, part: (table or {}).get(part), key.split("."), shoot.settings)
    if not isinstance(name, str) or name.startswith("ocio://"):
        return None
    places = [shoot.folder, LOOKS] if key.startswith("look.") else [shoot.folder]
    for place in places:
        if (place / name).is_file():
            check_size(place / name, os.stat(place / name))
            return place / name
    where = "neither in the shoot's folder nor in config/looks" if places[1:] else "not in the shoot's folder"
    there = sorted(path.name for place in places for path in place.iterdir())
    near = nearest(name, there)
    what_to_do = f"put the file there, or name the nearest, {near!r}" if near else "put the file there"
    raise SettingsError(f"{shoot.folder}: {key} names {name!r}, which is {where}; {what_to_do}")


def own_path(path, results_dir):
    """A path for a file that a shoot's settings name: for a look from the shelf that of a copy under its checksum in
    RESULTS/.kerbwalk/shelf, as where the code lies is of no account; otherwise the path itself.
    """
    path = Path(path)
    if not path.is_relative_to(ROOT):
        return str(path)
    copy = Path(results_dir, ".kerbwalk", "shelf", checksum(path), path.name)
    if not copy.exists():
        with whole(copy) as temporary:
            shutil.copyfile(path, temporary)
    return str(copy.relative_to(results_dir))
