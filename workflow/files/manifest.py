"""Manifests of photos in the format ASC MHL 2.0: which file had which checksum when.

A history is a folder `ascmhl` with numbered generations and a chain file that guards them. The format is written
here and not by its reference implementation, as that asks for a release of a package that the tools of the tests
exclude, and would read every photo a second time; a test has the reference implementation verify what is written.
"""

import datetime
import hashlib
from pathlib import Path
from xml.etree import ElementTree

from files.stage import StageError, whole

FOLDER = "ascmhl"
CHAIN = "ascmhl_chain.xml"
_LIST = "urn:ASC:MHL:v2.0"
_CHAIN = "urn:ASC:MHL:DIRECTORY:v2.0"
_C4_SIGNS = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"


def original(folder):
    """What was first seen, {path: (checksum, date)}, of the history in a folder; {} where there is none.

    Raises StageError if a generation is not what it was.
    """
    found = {}
    for path in _generations(Path(folder, FOLDER)):
        for name, value in _read(path).items():
            if value.get("action") == "original":
                found[name] = (value.text, value.get("hashdate"))
    return found


def latest(folder):
    """What the last generation says, {path: checksum}; {} where there is none."""
    generations = _generations(Path(folder, FOLDER))
    return {name: value.text for name, value in _read(generations[-1]).items()} if generations else {}


def add(folder, files):
    """Write a generation, if there is anything that the last one does not say.

    files: [{"path", "bytes", "modified" (seconds since the epoch), "checksum"}], relative to what the history is of.
    Returns the files that are not what was first seen: [(path, what the checksum was, since when)].
    """
    place = Path(folder, FOLDER)
    known = original(folder)
    changed = [
        (f["path"], *known[f["path"]]) for f in files if f["path"] in known and known[f["path"]][0] != f["checksum"]
    ]
    if latest(folder) == {f["path"]: f["checksum"] for f in files}:
        return changed
    now = datetime.datetime.now(datetime.UTC)
    root = ElementTree.Element("hashlist", version="2.0", xmlns=_LIST)
    creator = ElementTree.SubElement(root, "creatorinfo")
    ElementTree.SubElement(creator, "creationdate").text = now.isoformat(timespec="seconds")
    ElementTree.SubElement(creator, "tool", version="1").text = "Kerbwalk"
    ElementTree.SubElement(ElementTree.SubElement(root, "processinfo"), "process").text = "in-place"
    hashes = ElementTree.SubElement(root, "hashes")
    for file in files:
        element = ElementTree.SubElement(hashes, "hash")
        modified = datetime.datetime.fromtimestamp(file["modified"], datetime.UTC).isoformat(timespec="seconds")
        path = ElementTree.SubElement(element, "path", size=str(file["bytes"]), lastmodificationdate=modified)
        path.text = file["path"]
        same = known.get(file["path"], (None,))[0] == file["checksum"]
        action = "verified" if same else "failed" if file["path"] in known else "original"
        value = ElementTree.SubElement(
            element, "xxh128", action=action, hashdate=now.isoformat(timespec="microseconds")
        )
        value.text = file["checksum"]
    number = len(_generations(place)) + 1
    name = f"{number:04d}_photos_{now:%Y-%m-%d_%H%M%S}Z.mhl"
    _write(place / name, root)
    chain = ElementTree.Element("ascmhldirectory", xmlns=_CHAIN)
    for k, path in enumerate([*_generations(place), place / name], 1):
        entry = ElementTree.SubElement(chain, "hashlist", sequencenr=str(k))
        ElementTree.SubElement(entry, "path").text = path.name
        ElementTree.SubElement(entry, "c4").text = c4(path.read_bytes())
    _write(place / CHAIN, chain)
    return changed


def c4(data):
    """The C4 ID of bytes (SMPTE ST 2114): "c4" and their SHA-512 to the base 58, in 90 signs."""
    number, text = int.from_bytes(hashlib.sha512(data).digest(), "big"), ""
    while number:
        number, rest = divmod(number, 58)
        text = _C4_SIGNS[rest] + text
    return "c4" + text.rjust(88, "1")


def _generations(place):
    """The generations that the chain names, oldest first; one that was being written when it was killed is in none."""
    chain = place / CHAIN
    if not chain.exists():
        return []
    paths = []
    for entry in ElementTree.parse(chain).getroot().iter(f"{{{_CHAIN}}}hashlist"):
        path = place / entry.find(f"{{{_CHAIN}}}path").text
        if not path.exists() or c4(path.read_bytes()) != entry.find(f"{{{_CHAIN}}}c4").text:
            raise StageError(
                f"{path}: this manifest of the photos is gone or was changed; put it back, or delete its folder "
                "to begin a new history"
            )
        paths.append(path)
    return paths


def _read(path):
    """A generation's checksums, {path: element}."""
    elements = ElementTree.parse(path).getroot().iter(f"{{{_LIST}}}hash")
    return {e.find(f"{{{_LIST}}}path").text: e.find(f"{{{_LIST}}}xxh128") for e in elements}


def _write(path, root):
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    with whole(path) as temporary:
        Path(temporary).write_bytes(text + b"\n")
