"""Find the shoots, their settings, and their photos."""

import contextlib
import fnmatch
import itertools
import os
import re
import shlex
from dataclasses import dataclass, field
from pathlib import Path

from files.checked import checksum
from files.stage import WAYS
from house import listing, recipes
from house import settings as settings_module
from house.ids import safe_id
from house.named_files import FILES, named_file
from kerbwalk.ingest import listed_shortly

# Files of the results beside the shoots' folders.
NIGHTS_OWN = ("index.html", "summary.json")
# What a shoot's settings are called by mistake; ".txt" is what an editor adds where endings are hidden.
MISNAMED = re.compile(r"shoot\.ya?ml(\.txt)?", re.IGNORECASE)
# Settings that are a place in the reference photo, and what they are where they name none.
POINTS = ("hold", "level", "look.white_balance.neutral", "light.even", "framing.centre")
NOWHERE = ("auto", None, [])


@dataclass
class Shoot:
    """One folder of photos, or a part of one: its true name, its id in Snakemake's paths, and its settings."""

    name: str
    id: str
    folder: Path
    photos: list[str] = field(default_factory=list)
    settings: dict = field(default_factory=dict)
    # Its deliverables, see house.recipes.
    recipes: dict = field(default_factory=dict)
    problem: str | None = None
    # Of a folder that is split into shoots, what is this one's, as the settings have it; None: all of it.
    part: list[str] | None = None
    # The settings that are its own: [(where they stand, table)].
    own: list[tuple[str, dict]] = field(default_factory=list)
    # The files that the settings name, by setting: [path, checksum].
    files: dict[str, list[str]] = field(default_factory=dict)
    # Pictures in the folder of which there is no raw file.
    lone_jpegs: list[str] = field(default_factory=list)
    # TIFFs beside its raw files that no setting names.
    developed: list[str] = field(default_factory=list)


def find(shoots_dir, results_dir, base_settings, only=()):
    """List the shoots in a folder; only: of these names or patterns (fnmatch), a text or several, if there are any.

    Returns a list of Shoot, ordered by name, and one of the others, that are not asked for. A folder without photos, or
    with a mistake in its shoot.yaml, comes back with `problem` set to one sentence, and must not be worked on; so does,
    at the end of the first list, what is asked for and is not there beside others that are.
    Raises SettingsError if there is no folder, or nothing in it that could be a shoot, or that is asked for.
    """
    shoots_dir = Path(shoots_dir)
    if not shoots_dir.is_dir():
        raise settings_module.SettingsError(
            f"{shoots_dir}: there is no such folder; name the folder that holds your shoots (--config shoots=DIR)"
        )
    folders = sorted((e for e in os.scandir(shoots_dir) if _is_shoot(e, results_dir)), key=lambda e: e.name)
    if not folders:
        if listing.list_photos(shoots_dir):
            raise settings_module.SettingsError(
                f"{shoots_dir} holds photos itself, and so is a shoot; name the folder above it "
                f"(--config shoots={shlex.quote(str(shoots_dir.absolute().parent))})"
            )
        raise settings_module.SettingsError(
            f"{shoots_dir}: no shoots; put each shoot's photos into a folder of its own in here"
        )
    patterns = [only] if isinstance(only, str) else only
    every = [shoot for e in folders for shoot in _read(Path(e.path), Path(results_dir), base_settings)]
    asked = [not patterns or any(_is(shoot.name, p) for p in patterns) for shoot in every]
    found = list(itertools.compress(every, asked))
    if not found:
        raise settings_module.SettingsError(_missed(patterns, shoots_dir, every))
    for shoot in found:
        if not shoot.problem:
            _know_files(shoot)
        if not shoot.problem and sum(other.name == shoot.name for other in found) > 1:
            shoot.problem = f"{shoot.folder}: there are two shoots {shoot.name!r}; give the part another name"
    for pattern in dict.fromkeys(patterns):
        if not any(_is(shoot.name, pattern) for shoot in every):
            # With a slash in its name, which no folder has, its id can be none of a shoot.
            name, problem = safe_id(f"only/{pattern}"), _missed([pattern], shoots_dir, every)
            found.append(Shoot(pattern, name, shoots_dir, problem=problem))
    return found, [shoot for shoot, is_asked in zip(every, asked, strict=True) if not is_asked]


def astray(shoots_dir, results_dir, names):
    """Sentences on what belongs to no shoot: settings and photos beside the folders, and results of what is none now.

    names: of all shoots.
    """
    lines = []
    # At the end of a night its disk may be away.
    entries = os.scandir(shoots_dir) if os.path.isdir(shoots_dir) else []
    beside = [e.name for e in entries if e.is_file()]
    if idle := [name for name in beside if MISNAMED.fullmatch(name)]:
        lines.append(
            f"{idle[0]} in {shoots_dir}: settings of no shoot; move the file into a shoot's folder, or, if they are "
            "those of all shoots, name it by --configfile"
        )
    if loose := listing.among(beside):
        lines.append(
            f"{listed_shortly(loose)} in {shoots_dir}: beside the shoots' folders, and so in none of the clips; move "
            "what belongs to a shoot into its folder"
        )
    made = [e.name for e in os.scandir(results_dir) if e.is_dir() and _is_made(e)]
    if left := sorted(set(made).difference(names)):
        lines.append(
            f"{listed_shortly(left)} in {results_dir}: results of what is no shoot in {shoots_dir} now, as after "
            "'split', under another name, or with its disk away; nothing there is changed: delete it if nobody wants it"
        )
    return lines


def shared_points(found):
    """Sentences on folders that are split, and have settings for all of their parts that are a place in one photo.

    found: list of Shoot.
    """
    shared = {}
    for shoot in found:
        used = dict(settings_module.flattened(shoot.settings))
        for _, table in shoot.own[:-1] if shoot.part is not None else ():
            for path, value in settings_module.flattened(table):
                if ".".join(path) in POINTS and value not in NOWHERE and used.get(path) == value:
                    shared.setdefault(shoot.folder.name, {})[".".join(path)] = True
    return [
        f"{folder}: its shoot.yaml has {' and '.join(map(repr, keys))} for all parts of the folder, read as a place in "
        "each one's own reference photo; where a place in one of them is meant, write it beside that part's photos"
        for folder, keys in shared.items()
    ]


def stills(found):
    """Sentences on TIFFs beside raw files that no setting names, as a graded still is. found: list of Shoot."""
    return [
        f"{shoot.name}: {listing.listed_shortly(shoot.developed)} beside raw files: taken for no photo of the walk; "
        f"a graded still has its effect by look: {{match: {shoot.developed[0]}}}"
        for shoot in found
        if shoot.developed
    ]


def link(shoot, results_dir):
    """Lay the way to a shoot's photos that way_to() tells, where the results' disk knows links."""
    with contextlib.suppress(OSError):
        _link(Path(results_dir, WAYS, shoot.id), shoot.folder)


def way_to(shoot, results_dir):
    """The path of a shoot's folder as its jobs are told it: from the results, by a link of its id, so that nothing is
    made again because the photos' disk has another name today. The folder itself where there is no link.
    """
    way = Path(results_dir, WAYS, shoot.id)
    return str(way.relative_to(results_dir) if way.is_symlink() else shoot.folder)


def chunks(photos, size):
    """Cut a list of photos into lists of `size`, keyed '000', '001', ..."""
    return {f"{i:03d}": photos[k : k + size] for i, k in enumerate(range(0, len(photos), size))}


def _is_shoot(entry, results_dir):
    """Whether a folder is a shoot, and not hidden, nor the results, nor only the way to them."""
    if not entry.is_dir() or listing.is_hidden(entry.name):
        return False
    if listing.are_results(entry.path):
        return listing.are_results_among_photos(entry.path)
    place, results = os.path.realpath(entry.path), os.path.realpath(results_dir)
    if place == results:
        return False
    return not results.startswith(place + os.sep) or bool(listing.list_photos(entry.path))


def _is_made(entry):
    """Whether a folder of the results is a shoot's, and not hidden."""
    made = (Path(entry.path, part, "ingest.json") for part in ("work", "draft/work"))
    return not entry.name.startswith(".") and any(file.exists() for file in made)


def _is(name, pattern):
    """Whether a name is meant by a pattern; one with brackets may itself be the name."""
    return name == pattern or fnmatch.fnmatchcase(name, pattern)


def _missed(patterns, shoots_dir, every):
    """What is said of names and patterns that none of the shoots has."""
    # A path to it, or a part of its name, is what one types first.
    word, names = patterns[0].rstrip("/").rpartition("/")[2].strip("*?"), [shoot.name for shoot in every]
    near = listing.offered(word, [name for name in names if word.lower() in name.lower()] or names)
    listed = f"; several are a list: only=[{patterns[0]}]" if "," in patterns[0] else ""
    return (
        f"'only' asks for {', '.join(map(repr, patterns))}, and no shoot in {shoots_dir} is called so; {near}{listed}"
    )


def _read(folder, results_dir, base_settings):
    """The shoots of a folder: one, or as many as its settings split it into."""
    whole = Shoot(name=folder.name, id=safe_id(folder.name), folder=folder)
    found = _settled(whole, results_dir, base_settings)
    for shoot in found:
        place = results_dir / shoot.name
        if not shoot.problem and shoot.name in NIGHTS_OWN:
            shoot.problem = (
                f"{folder}: the results have a file {shoot.name!r} of their own; give the folder another name"
            )
        if not shoot.problem and place.exists() and not place.is_dir():
            shoot.problem = f"{place}: a file is where the shoot's results should go; move it away"
        if not shoot.problem and shoot.id != shoot.name:
            Path(results_dir, shoot.name).mkdir(parents=True, exist_ok=True)
            _link(Path(results_dir, shoot.id), shoot.name)
    return found


def _settled(shoot, results_dir, base_settings):
    """The shoot with its photos and settings, or its parts; a mistake becomes its problem."""
    folder = shoot.folder
    own_settings = folder / "shoot.yaml"
    try:
        # Which _is_shoot lets pass only among photos.
        if listing.are_results(folder):
            raise settings_module.SettingsError(
                f"{folder}: results were written among these photos; move {' and '.join(listing.RESULTS_MARKS)} and "
                "what else is no photo out of this folder"
            )
        os.fsencode(folder.name).decode("utf-8")
        shoot.settings = base_settings
        names = listing.files_in(folder)
        shoot.photos = listing.among(names)
        shoot.lone_jpegs = listing.lone_jpegs(names, shoot.photos)
        if os.path.lexists(own_settings):
            own = settings_module.load(own_settings)
            settings_module.check(own, own_settings, night=False)
            shoot.settings = settings_module.merged(base_settings, settings_module.normalised(own))
            shoot.own = [(own_settings.name, own)]
        elif misnamed := [name for name in names if MISNAMED.fullmatch(name)]:
            raise settings_module.SettingsError(
                f"{folder / misnamed[0]}: settings are read from shoot.yaml alone; rename this file to shoot.yaml"
            )
        # A dark frame and a graded still may lie among the photos.
        others = (shoot.settings["dark"], shoot.settings["look"]["match"])
        shoot.photos = [name for name in shoot.photos if name not in others]
        shoot.developed = [name for name in listing.developed(names, shoot.photos) if name not in others]
        parts = _parts(shoot, own_settings)
        where = own_settings if os.path.lexists(own_settings) else folder
        for part in parts:
            settings_module.check_framing(part.settings, where)
            _check_names(part, own_settings)
            part.recipes = recipes.resolved(part.settings, where)
        return parts
    except (settings_module.SettingsError, OSError) as error:
        shoot.problem = str(error)
    except UnicodeDecodeError:
        shoot.name = folder.name.encode("utf-8", "backslashreplace").decode()
        shoot.problem = f"{shoot.name}: the folder's name is not UTF-8; rename it"
    return [shoot]


def _know_files(shoot):
    """Note the files that the settings name; one that cannot be read becomes the shoot's problem."""
    try:
        paths = {key: named_file(shoot, key) for key in FILES}
        shoot.files = {key: [str(path), checksum(path)] for key, path in paths.items() if path}
    except (settings_module.SettingsError, OSError) as error:
        shoot.problem = str(error)


def _parts(shoot, own_settings):
    """The shoot itself, or those into which the setting `split` splits it, each with its own photos and settings."""
    split = shoot.settings["split"]
    if isinstance(split, str):
        return [shoot]
    try:
        left_out = listing.chosen(shoot.photos, shoot.settings["leave_out"])
    except settings_module.SettingsError as error:
        raise settings_module.SettingsError(f"{own_settings}: 'leave_out' {error}") from None
    whole, parts = shoot.settings | {"leave_out": left_out}, []
    for name, own in split.items():
        settings_module.check({k: v for k, v in own.items() if k != "photos"}, f"{own_settings}, {name}", night=False)
        try:
            names = listing.chosen(shoot.photos, own["photos"])
        except settings_module.SettingsError as error:
            raise settings_module.SettingsError(f"{own_settings}: 'split.{name}' {error}") from None
        shared = _without_others(whole, names, [n for n in shoot.photos if n not in set(names)])
        settings = settings_module.merged(shared, own) | {"split": "one"}
        part = settings.pop("photos")
        full = f"{shoot.name} {name}"
        layers = [*shoot.own, (f"{own_settings.name}, {name}", own)]
        parts.append(Shoot(full, safe_id(full), shoot.folder, names, settings, part=part, own=layers))
    for photo in shoot.photos:
        if (times := sum(photo in part.photos for part in parts)) != 1 and photo not in left_out:
            raise settings_module.SettingsError(
                f"{own_settings}: 'split' has {photo!r} in {'several parts' if times else 'none of its parts'}; "
                "each photo belongs to one part, or to leave_out"
            )
    return parts


def _without_others(settings, photos, others):
    """The settings of a folder as a part has them: what is said of a photo is said to the part that has it alone."""

    def is_ours(name):
        found = [any(photo == name or photo.endswith(f"/{name}") for photo in some) for some in (photos, others)]
        return found != [False, True]

    named = ((key, settings[key]) for key in ("reference", "first", "last"))
    filters = {name: density for name, density in settings["light"]["filters"].items() if is_ours(name)}
    return settings | {
        **{key: name if name and is_ours(name) else None for key, name in named},
        "leave_out": [name for name in settings["leave_out"] if is_ours(name)],
        "hold_in": {name: at for name, at in settings["hold_in"].items() if is_ours(name)},
        "light": settings["light"] | {"filters": filters},
    }


def _check_names(shoot, own_settings):
    if not shoot.photos:
        raise settings_module.SettingsError(
            f"{shoot.folder}: no raw photos in this folder{_only(shoot.lone_jpegs)}; "
            "copy the shoot's raw files into it, or take the folder out of the shoots"
        )
    own = dict(shoot.settings)
    try:
        for key in ("reference", "first", "last"):
            own[key] = own[key] and listing.named(own[key], shoot.photos)
        key = "leave_out"
        own[key] = listing.chosen(shoot.photos, own[key])
        key = "hold_in"
        own[key] = {listing.named(name, shoot.photos): place for name, place in own[key].items()}
        key = "light.filters"
        filters = {listing.named(name, shoot.photos): density for name, density in own["light"]["filters"].items()}
        own["light"] = own["light"] | {"filters": filters}
    except settings_module.SettingsError as error:
        where = own_settings if os.path.lexists(own_settings) else shoot.folder
        raise settings_module.SettingsError(f"{where}: '{key}' {error}") from None
    shoot.settings = own


def _only(jpegs):
    return f", only {len(jpegs)} JPEG{'' if len(jpegs) == 1 else 's'}" if jpegs else ""


def _link(link, target):
    if os.path.islink(link) and os.readlink(link) == str(target):
        return
    link.parent.mkdir(parents=True, exist_ok=True)
    link.unlink(missing_ok=True)
    os.symlink(target, link)
