"""What lies in a folder: its photos, and which of them a name stands for."""

import itertools
import os
import re

from house.photos import is_photo
from house.settings import SettingsError, nearest
from kerbwalk.ingest import listed_shortly, natural

# Of one picture that is there in several forms, the one that stands first here is the photo.
RANKS = {"dng": 1, "tif": 2, "tiff": 2}
DEVELOPED = 2
JPEG_ENDINGS = ("jpg", "jpeg", "heic", "heif", "hif")
# What lies in a folder of results, or of copies: their photos are no shoot.
RESULTS_MARKS, COPY_MARK = (".kerbwalk", ".kerbwalk.lock"), ".kerbwalk-copy"
# What systems put onto disks: bins, found pieces, thumbnails (from memory).
NOBODYS = ("lost+found", "System Volume Information", "$RECYCLE.BIN", "#recycle", "@eaDir", "__MACOSX")
# Bytes that no photo has, nor any file that settings name: nothing so large is read. A TIFF's picture may have half.
HUGE = 1 << 31
# Files that no shoot has: beyond them a link leads somewhere else.
MANY = 100_000
RANGE = re.compile(r"(.+?)\s+\.\.\s+(.+)")


def list_photos(folder):
    """The photos in a folder and the folders in it, as on a camera's card: paths in it, in natural order.

    Of pictures in one folder that differ by their ending alone, as where a camera writes raw and another form,
    the raw file is the photo. Results and copies of other shoots are passed over.
    """
    return among(files_in(folder))


def files_in(folder):
    """Paths in a folder of all the files in it and in its folders; hidden ones, results and copies left out.

    Raises SettingsError for what is there under a photo's name and is no file, and for more files than a shoot has.
    """
    found = list(itertools.islice(_files(folder), MANY + 1))
    if len(found) > MANY:
        raise SettingsError(
            f"{folder}: more than {MANY:,} files are in this folder and those in it; see whether a link in it leads "
            "somewhere else"
        )
    return found


def among(names):
    """The photos among files, in natural order; of one in several forms the raw file.

    TIFFs are photos unless more raw files lie beside them: then they are what was made of these, as a graded still is.
    """
    kept = _best_forms(names)
    developed = [name for name in kept if _rank(name) == DEVELOPED]
    return kept if 2 * len(developed) >= len(kept) else [name for name in kept if _rank(name) != DEVELOPED]


def developed(names, photos):
    """TIFFs among files that are no photos, and of which there is no raw file of that name."""
    left = [name for name in names if _rank(name) == DEVELOPED and name not in photos]
    # Hardly a shoot has any, and every start asks each shoot.
    return [name for name in _best_forms(names) if name in left] if left else []


def _best_forms(names):
    """Photos by their endings, in natural order, of one in several forms the raw file."""
    best = {}
    for name in names:
        if is_photo(name):
            best.setdefault(name.rpartition(".")[0].lower(), []).append((_rank(name), name))
    kept = [name for forms in best.values() for rank, name in forms if rank == min(forms)[0]]
    return sorted(kept, key=natural)


def lone_jpegs(names, photos):
    """Pictures of which there is no raw file, whichever card that is on."""
    stems = {_stem(name) for name in photos}
    return [n for n in names if n.rpartition(".")[2].lower() in JPEG_ENDINGS and _stem(n) not in stems]


def chosen(photos, wanted):
    """Those of the photos that a list of names, of folders and of ranges "first .. last" (in natural order) stands for.

    Raises SettingsError for a name that is not there, and for a range that ends before it begins.
    """
    names = []
    for entry in wanted:
        if inside := [name for name in photos if name.startswith(f"{entry.rstrip('/')}/")]:
            names += inside
            continue
        ends = RANGE.fullmatch(entry)
        first, last = (photos.index(named(end, photos)) for end in (ends.groups() if ends else (entry, entry)))
        if last < first:
            raise SettingsError(f"has {entry!r}, which ends before it begins; change the two for each other")
        names += photos[first : last + 1]
    return [name for name in photos if name in set(names)]


def named(name, photos):
    """The photo that a name stands for: its path in the shoot's folder, or the file name alone where one has it."""
    if name in photos:
        return name
    ends = [photo for photo in photos if photo.endswith("/" + name)]
    if len(ends) == 1:
        return ends[0]
    if ends:
        raise SettingsError(
            f"names {name!r}, and several photos have that name; write which: {ends[0]!r} or {ends[1]!r}"
        )
    known = photos if "/" in name else list(dict.fromkeys(photo.rpartition("/")[2] for photo in photos))
    raise SettingsError(f"names {name!r}, which is not among the photos; {offered(name, known)}")


def offered(word, known):
    """What is offered for a name that is none of the known: the nearest, or, where it is like none of them, these."""
    near = nearest(word, known)
    return f"the nearest is {near!r}" if near else f"what is there: {listed_shortly(known)}"


def check_size(path, stat):
    """Raise SettingsError for a file that is larger than any photo or look. stat: os.stat() of it."""
    if stat.st_size > HUGE:
        raise SettingsError(
            f"{path}: {stat.st_size / 1e9:.0f} GB are more than any photo or look has; take it out of the folder"
        )


def is_hidden(name):
    """Whether a folder's name says that it is no shoot, nor a part of one."""
    return name.startswith(".") or name in NOBODYS


def are_results(folder):
    """Whether a folder is one of results, or of copies."""
    return any(os.path.lexists(os.path.join(folder, mark)) for mark in (*RESULTS_MARKS, COPY_MARK))


def are_results_among_photos(folder):
    """Whether results lie in the very folder of a shoot."""
    names = os.listdir(folder)
    return not {*RESULTS_MARKS}.isdisjoint(names) and COPY_MARK not in names and any(map(is_photo, names))


def _files(folder, inside="", seen=None):
    """Paths, relative to the folder, of the files in it and in its folders, hidden ones and results left out."""
    # A folder that is linked into itself would have no end, and folders that are linked to each other many.
    seen = {os.path.realpath(folder)} if seen is None else seen
    entries = sorted(os.scandir(folder), key=lambda e: e.name)
    for entry in entries:
        if is_hidden(entry.name):
            continue
        if entry.is_file():
            yield inside + entry.name
        elif entry.is_dir():
            place = os.path.realpath(entry.path)
            if place not in seen and not are_results(entry.path):
                seen.add(place)
                yield from _files(entry.path, f"{inside}{entry.name}/", seen)
        elif is_photo(entry.name):
            raise SettingsError(
                f"{entry.path}: there is no file behind this name, as where a link leads to a disk that is away; "
                "connect it, or take the name out of the folder"
            )


def _rank(name):
    return RANKS.get(name.rpartition(".")[2].lower(), 0)


def _stem(name):
    return name.rpartition("/")[2].rpartition(".")[0].lower()
