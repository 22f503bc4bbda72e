"""A finished shoot as a bag (BagIt, RFC 8493): all that the clip was made of and by, with a checksum of each file.

In a bag, below data/
  README.txt        this list, and how to check the bag and to make the clip again, for who has no Kerbwalk
  settings.json     {"night", "shoot"}: the settings, complete, so that later defaults are of no account
  shoot.yaml        the settings as the photographer wrote them into the shoot's folder, if so; nothing reads them here
  photos.json       {"checksums": "XXH128", "photos": [{"name", "bytes", "checksum"}]}, in the order in which they were
                    taken
  environment.json  {"python", "processor", "ffmpeg", "packages": {name: version}}
  shoot/            the photos, unless their checksums were to do; and what else the settings name in the shoot's folder
  code/             Kerbwalk as it made the clip, its docs and licence, and the checksums of all packages in code/envs
  wheels/           these packages, FFmpeg among them, unless the list was to do
  results/          the master, the deliverables, the report, and the files of numbers in work/
"""

import concurrent.futures
import dataclasses
import hashlib
import importlib.metadata
import os
import platform
import re
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import bagit
import imageio_ffmpeg
import llvmlite.binding

from files import checked
from files.stage import StageError, read_json, write_json, write_text

VERSION = 1
VERSION_KEY = "Kerbwalk-Archive-Version"
# What lies beside data/: a bag's mark, what it holds, and the lists of checksums, the last of which guards the rest.
INFO, MANIFEST, TAG_MANIFEST = "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"
BESIDE = ("bagit.txt", INFO, MANIFEST, TAG_MANIFEST)
# Signs that no name of a file may have on Windows' disks, and what stands for an end of line, or for a percent sign, in
# manifests (RFC 8493, section 2.1.3).
UNFIT = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]|%(?=0[ad]|25)', re.IGNORECASE)
READ_ME = """\
{name}
A walk in {count} photos, and the clip that Kerbwalk made of them, with all that it was made of and by.

The folder that holds this one is a bag (BagIt). In it, below data/
{listed}
Look first at results/report.html, in any browser.

Is it whole? In the folder that holds data/, these say so without Kerbwalk (on macOS, with shasum -a 256):
  sha256sum --check tagmanifest-sha256.txt
  sha256sum --check manifest-sha256.txt
The checksums in photos.json, and in results/work/ingest.json, are XXH128 of a file's content, in 32 hexadecimal digits,
as xxhsum -H2 prints them; results/master.framemd5 has the MD5 of each frame, as FFmpeg's framemd5 prints them.

Kerbwalk needs Linux and Python (environment.json says which it had). It puts its packages beside its code, so that the
code is to be copied to another place first; then, in the folder that holds data/,
  cp -r data/code ELSEWHERE
  {variables}ELSEWHERE/scripts/archive verify .
  {variables}ELSEWHERE/scripts/archive reprocess . OUT
say which files are gone, spoilt or added, and make the clip again in OUT, a new folder that is not in the bag, and
compare it with the master. Where the photos are not in shoot/, --photos DIR behind it names the folder of theirs.

What is in each file: code/docs/formats.md. On archives: code/docs/archive.md. What the settings mean:
code/docs/settings.md. The mathematics: code/docs/mathematics.md. The licence of the code: code/LICENSE.
"""
# Packages that come without a wheel, as in scripts/_bootstrap.py.
BUILT = "bagit,connection-pool"


@dataclasses.dataclass(frozen=True)
class Contents:
    """What a bag holds: the shoot's name, the folder of its payload, and the tables in there, by their files' names."""

    shoot: str
    data: Path
    settings: dict
    photos: dict
    environment: dict


def environment():
    """What makes the clip here, as in environment.json."""
    return {
        "python": platform.python_version(),
        "processor": llvmlite.binding.get_host_cpu_name(),
        "ffmpeg": imageio_ffmpeg.get_ffmpeg_version(),
        "packages": dict(sorted((d.name.lower(), d.version) for d in importlib.metadata.distributions())),
    }


def portable(name):
    """A shoot's name as a part of a file's name that every file system takes and every manifest has as it is."""
    return UNFIT.sub("_", name)


def read_me(name, count, wheels):
    """What the bag of a shoot of so many photos says of itself. wheels: whether it holds the packages."""
    listed = __doc__.partition("below data/\n")[2]
    variables = "PIP_NO_INDEX=1 PIP_FIND_LINKS=data/wheels " if wheels else ""
    return READ_ME.format(name=name, count=count, listed=listed, variables=variables)


def write(folder, name, tables, texts, photos, copies):
    """Fill an empty folder and make it a bag.

    name: the shoot's; tables, texts: {path: JSON's data, or text}; photos: [(source, path in shoot/, XXH128 or None)];
    copies: [(source, path)] of files and folders. Raises StageError for a photo that is not what it was.
    """
    data = Path(folder)
    for file, table in tables.items():
        write_json(data / file, table)
    for path, text in texts.items():
        write_text(data / path, text)
    for source, path, checksum in photos:
        try:
            checked.copy(source, data / "shoot" / path, checksum)
        except checked.ChangedError as error:
            raise StageError(f"{source} {error}; copy it from the card again") from None
    for source, path in copies:
        place = data / path
        place.parent.mkdir(parents=True, exist_ok=True)
        if Path(source).is_dir():
            shutil.copytree(source, place, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy2(source, place)
    bagit.make_bag(str(data), {"External-Identifier": name, VERSION_KEY: str(VERSION)}, checksums=["sha256"])


def download(code, target):
    """Download all packages that Kerbwalk needs, by their checksums. Raises StageError, say without a network."""
    wheels = ["--only-binary", ":all:", "--no-binary", BUILT, "--no-build-isolation", "--require-hashes"]
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", *wheels]
    # One after the other, as they are installed: they may name two versions of one package.
    for name in ("build", "default"):
        requirements = ["--dest", str(target), "-r", str(Path(code, "envs", f"{name}.txt"))]
        done = subprocess.run([*command, *requirements], capture_output=True, text=True)
        if done.returncode:
            said = done.stderr.strip().splitlines() or ["it said nothing"]
            raise StageError(
                f"the packages for the archive cannot be downloaded ({said[-1]}); try again with a network, or say "
                "'archive: {wheels: false}' to keep their list alone"
            )


def shoot_of(folder):
    """The name of the shoot that a bag of this format or an older one holds. Raises StageError for anything else."""
    if len(_lost(folder)) == len(BESIDE):
        raise StageError(f"{folder}: this is no bag; name the folder that holds bagit.txt")
    # Whatever has befallen it: damage() says which file has changed.
    lines = Path(folder, INFO).read_text(encoding="utf-8", errors="replace").split("\n")
    info = {key: value.strip() for key, _, value in (line.partition(":") for line in lines)}
    version = info.get(VERSION_KEY, "")
    if not version.isdigit():
        raise StageError(f"{folder}: this bag was not made by Kerbwalk; name one that was")
    if int(version) > VERSION:
        raise StageError(
            f"{folder}: this bag has version {version} of the format, and versions up to {VERSION} are known here; "
            "take a newer Kerbwalk"
        )
    return info.get("External-Identifier", "")


def damage(folder, at_once=1):
    """What is not as it was when the bag was made: a sentence for each file, none of a bag that is whole.

    at_once: how many files are read at a time. Raises StageError for what is no bag of this format or an older one.
    The manifests are read here, and not by the package that writes them, as that says nothing of what is spoilt where
    anything is gone or was added, and can do without the manifest that guards the others.
    """
    lost = _lost(folder)
    if INFO not in lost or len(lost) == len(BESIDE):
        shoot_of(folder)
    if lost:
        return [f"{folder}: {name} is gone, and without it nothing else can be checked" for name in lost]
    found = (file for file in Path(folder).rglob("*") if file.is_file())
    here = {listed_as(file.relative_to(folder).as_posix()): file for file in found}
    del here[TAG_MANIFEST]  # the one that no other lists
    listed = _listed(Path(folder, MANIFEST)) | _listed(Path(folder, TAG_MANIFEST))
    told = dict.fromkeys(listed.keys() - here.keys(), "is gone")
    told |= dict.fromkeys(here.keys() - listed.keys(), "was added: no manifest lists it")
    kept = sorted(listed.keys() & here.keys())
    with concurrent.futures.ThreadPoolExecutor(at_once) as readers:
        faults = readers.map(_fault, (here[path] for path in kept), (listed[path] for path in kept))
        told |= {path: fault for path, fault in zip(kept, faults, strict=True) if fault}
    # A name that was added may be in any encoding.
    sentences = (f"{folder}: {path} {told[path]}" for path in sorted(told))
    return [os.fsencode(said).decode("utf-8", "backslashreplace") for said in sentences]


def _lost(folder):
    return [name for name in BESIDE if not Path(folder, name).is_file()]


def _listed(manifest):
    """{path: SHA-256} by a manifest; what is no line of one lists nothing."""
    lines = manifest.read_text(encoding="utf-8", errors="surrogateescape").split("\n")
    entries = (line.split(maxsplit=1) for line in lines)
    return {listed_as(entry[1]): entry[0].lower() for entry in entries if len(entry) == 2}


def listed_as(path):
    """A path as in a manifest, in the one way of writing accents, of which a disk may have another."""
    return unicodedata.normalize("NFC", path.replace("\r", "%0D").replace("\n", "%0A"))


def _fault(file, checksum):
    """What is wrong with a file, or None."""
    try:
        with open(file, "rb") as content:
            found = hashlib.file_digest(content, "sha256").hexdigest()
    except OSError as error:
        return f"cannot be read ({error.strerror})"
    return None if found == checksum else f"is spoilt: its SHA-256 is {found}, and was {checksum}"


def read(folder):
    """The Contents of a bag that is whole. Raises StageError where a name in it leads out of a folder."""
    data, shoot = Path(folder, "data"), shoot_of(folder)
    tables = [read_json(data / f"{name}.json") for name in ("settings", "photos", "environment")]
    if shoot != Path(shoot).name or shoot in ("", ".."):
        raise StageError(f"{folder}: its shoot's name is the path {shoot!r}; take a bag that Kerbwalk made")
    for photo in tables[1]["photos"]:
        path = Path(photo["name"])
        if path.is_absolute() or ".." in path.parts:
            raise StageError(f"{folder}: the photo {photo['name']!r} is outside of it; take a bag that Kerbwalk made")
    return Contents(shoot, data, *tables)
