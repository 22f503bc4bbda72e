"""Find the shoots and their photos, and decide which photos are unchanged since they were last seen."""

import functools
import hashlib
import json
import os
import re
from dataclasses import dataclass, field
from pathlib import Path

from files.stage import write_text
from house import settings as settings_module

ROOT = Path(__file__).parents[2]
# Raw formats that LibRaw opens, by the makers' usual endings, and TIFF sequences.
PHOTO_ENDINGS = frozenset(
    """3fr arw bay cap cr2 cr3 crw dcr dng erf fff gpr iiq k25 kdc mef mos mrw nef nrw orf pef ptx raf raw
    rw2 rwl sr2 srf srw x3f tif tiff""".split()  # noqa: SIM905 (a list would be forty lines)
)

# Settings that name a file.
FILES = ("dark", "look.cdl", "look.lut", "look.match", "look.display.config")
# Looks to choose from, and their kinds by ending.
LOOKS = ROOT / "config" / "looks"
LOOK_ENDINGS = {"cdl": (".cc", ".ccc", ".cdl"), "lut": (".cube", ".clf")}


@dataclass
class Shoot:
    """One folder of photos: its true name, its id in Snakemake's paths, and its settings."""

    name: str
    id: str
    folder: Path
    photos: list[str] = field(default_factory=list)
    settings: dict = field(default_factory=dict)
    problem: str | None = None


def find(shoots_dir, results_dir, base_settings):
    """List the shoots in a folder.

    Returns a list of Shoot, ordered by name. A folder without photos, or with a mistake in its
    shoot.yaml, comes back with `problem` set to one sentence, and must not be worked on.
    Raises SettingsError if there is no folder, or nothing in it that could be a shoot.
    """
    shoots_dir = Path(shoots_dir)
    if not shoots_dir.is_dir():
        raise settings_module.SettingsError(
            f"{shoots_dir}: there is no such folder; name the folder that holds your shoots (--config shoots=DIR)"
        )
    folders = sorted((e for e in os.scandir(shoots_dir) if _is_shoot(e)), key=lambda e: e.name)
    if not folders:
        raise settings_module.SettingsError(
            f"{shoots_dir}: no shoots; put each shoot's photos into a folder of its own in here"
        )
    return [_read(Path(entry.path), Path(results_dir), base_settings) for entry in folders]


def list_photos(folder):
    """File names of the photos in a folder, in natural order (IMG_9 before IMG_10)."""
    names = [e.name for e in os.scandir(folder) if e.is_file() and is_photo(e.name)]
    return sorted(names, key=_natural)


def is_photo(name):
    """Whether a file name has the ending of a raw photo or a TIFF."""
    stem, _, ending = name.rpartition(".")
    return bool(stem) and not name.startswith(".") and ending.lower() in PHOTO_ENDINGS


def safe_path(path, results_dir):
    """A path that Snakemake can take: the path itself, or a link to it where its name has braces.

    Snakemake reads braces in a path as wildcards. The link lies in RESULTS/.kerbwalk/links.
    """
    path = str(path)
    if not re.search(r"[{}]", path):
        return path
    link = Path(results_dir, ".kerbwalk", "links", digest(path.encode()) + Path(path).suffix)
    _link(link, path)
    return str(link)


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
            return place / name
    where = "neither in the shoot's folder nor in config/looks" if places[1:] else "not in the shoot's folder"
    raise settings_module.SettingsError(f"{shoot.folder}: {key} names {name!r}, which is {where}; put the file there")


def chunks(photos, size):
    """Cut a list of photos into lists of `size`, keyed '000', '001', ..."""
    return {f"{i:03d}": photos[k : k + size] for i, k in enumerate(range(0, len(photos), size))}


def identities(shoot, results_dir):
    """What stands for each photo's content, without reading it where size and time stamp are as remembered.

    Returns {name: token}. A photo seen for the first time is known by its size and time stamp. One
    whose time stamp changed is read and compared with the checksum that ingest took: with the same
    content it keeps its token, so that a touched photo reruns nothing.
    """
    table_file = Path(results_dir, ".kerbwalk", "seen", shoot.id + ".json")
    table = _read_json(table_file) or {}
    checksums = None
    seen = {}
    for name in shoot.photos:
        stat = os.stat(shoot.folder / name)
        now = [stat.st_size, stat.st_mtime_ns]
        known = table.get(name)
        if known is None:
            seen[name] = [*now, f"{now[0]}-{now[1]}"]
        elif known[:2] == now:
            seen[name] = known
        else:
            if checksums is None:
                ingested = _read_json(Path(results_dir, shoot.id, "work", "ingest.json")) or {"photos": []}
                checksums = {p["name"]: (p["bytes"], p["checksum"]) for p in ingested["photos"]}
            same = checksums.get(name) == (now[0], checksum(shoot.folder / name))
            seen[name] = [*now, known[2] if same else f"{now[0]}-{now[1]}"]
    if seen != table:
        write_text(table_file, json.dumps(seen))
    return {name: entry[2] for name, entry in seen.items()}


def checksum(path):
    """BLAKE2b-128 of a file's content, in hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def _is_shoot(entry):
    return entry.is_dir() and not entry.name.startswith(".")


def _read(folder, results_dir, base_settings):
    shoot = Shoot(name=folder.name, id=_safe_id(folder.name), folder=folder)
    own_settings = folder / "shoot.yaml"
    try:
        os.fsencode(folder.name).decode("utf-8")
        shoot.settings = base_settings
        shoot.photos = list_photos(folder)
        if own_settings.exists():
            own = settings_module.load(own_settings)
            settings_module.check(own, own_settings, night=False)
            shoot.settings = settings_module.merged(base_settings, settings_module.normalised(own))
        # A dark frame and a graded still may lie among the photos.
        others = (shoot.settings["dark"], shoot.settings["look"]["match"])
        shoot.photos = [name for name in shoot.photos if name not in others]
        _check_names(shoot, own_settings)
        for key in FILES:
            named_file(shoot, key)
    except (settings_module.SettingsError, OSError) as error:
        shoot.problem = str(error)
    except UnicodeDecodeError:
        shoot.name = folder.name.encode("utf-8", "backslashreplace").decode()
        shoot.problem = f"{shoot.name}: the folder's name is not UTF-8; rename it"
    place = results_dir / shoot.name
    if not shoot.problem and place.exists() and not place.is_dir():
        shoot.problem = f"{place}: a file is where the shoot's results should go; move it away"
    if not shoot.problem and shoot.id != shoot.name:
        Path(results_dir, shoot.name).mkdir(parents=True, exist_ok=True)
        _link(Path(results_dir, shoot.id), shoot.name)
    return shoot


def _check_names(shoot, own_settings):
    if not shoot.photos:
        raise settings_module.SettingsError(
            f"{shoot.folder}: no raw photos in this folder; copy the shoot's raw files into it, "
            "or take the folder out of the shoots"
        )
    named = {key: [shoot.settings[key]] for key in ("reference", "first", "last") if shoot.settings[key]}
    named["leave_out"] = shoot.settings["leave_out"]
    named["light.filters"] = shoot.settings["light"]["filters"]
    for key, names in named.items():
        for name in names:
            if name not in shoot.photos:
                near = settings_module.nearest(name, shoot.photos)
                raise settings_module.SettingsError(
                    f"{own_settings if own_settings.exists() else shoot.folder}: "
                    f"'{key}' names {name!r}, which is not among the photos; the nearest is {near!r}"
                )


def _safe_id(name):
    """The name itself, unless Snakemake or a command line would read more into it than a name."""
    if not re.search(r"[{}\x00-\x1f]", name) and not name.startswith("-") and name.isprintable():
        return name
    word = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:24]
    return f".{word}-{digest(os.fsencode(name))}"


def digest(data):
    """A short BLAKE2b hash of bytes, in hexadecimal."""
    return hashlib.blake2b(data, digest_size=6).hexdigest()


def _link(link, target):
    if os.path.islink(link) and os.readlink(link) == str(target):
        return
    link.parent.mkdir(parents=True, exist_ok=True)
    link.unlink(missing_ok=True)
    os.symlink(target, link)


def _natural(name):
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in re.split(r"(\d+)", name.lower())]


def _read_json(path):
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except ValueError:  # cut short by a crash: as if it had never been
        return None
