"""Files whose content is checked against the checksum (XXH128) taken when they were first seen."""

import contextlib
import os
from pathlib import Path

import xxhash

from files.stage import StageError, whole

BLOCK = 1 << 22


class ChangedError(Exception):
    """A file is not what it was; the text says so without the file's name."""


def digest(data):
    """XXH128 of bytes, in hexadecimal."""
    return xxhash.xxh3_128_hexdigest(data)


def checksum(path):
    """XXH128 of a file's content, in hexadecimal."""
    state = xxhash.xxh3_128()
    with open(path, "rb") as file:
        while block := file.read(BLOCK):
            state.update(block)
    return state.hexdigest()


def read(path, expected):
    """A file's bytes, which are those that the checksum was taken of. Raises ChangedError if they are not."""
    data = Path(path).read_bytes()
    found = digest(data)
    if found != expected:
        raise ChangedError(f"is not what it was when first seen (checksum {found}, was {expected})")
    return data


def read_photo(path, record):
    """A photo's bytes, which are those that ingest saw. record: as in ingest.json. Raises StageError."""
    try:
        return read(path, record["checksum"])
    except ChangedError as error:
        raise StageError(
            f"{record['name']} {error}: the disk may be failing; copy the photo from the card again, or, to go on with "
            "it as it is, give it a new time stamp (touch)"
        ) from None


def copy(source, target, expected=None):
    """Copy a file, whole or not at all, and read the copy back. Returns its checksum.

    expected: the checksum that the source must have, or None. A target that is there with the right content is
    read, and left; one with another content is never written over. Raises ChangedError.
    """
    source, target = Path(source), Path(target)
    if target.exists():
        wanted = expected or checksum(source)
        if checksum(target) != wanted:
            raise ChangedError(f"is there as {target} with another content, which is left as it is")
        return wanted
    state = xxhash.xxh3_128()
    with whole(target) as temporary:
        with open(source, "rb") as reading, open(temporary, "wb") as writing:
            while block := reading.read(BLOCK):
                state.update(block)
                writing.write(block)
            writing.flush()
            os.fsync(writing.fileno())
            # What is read back should come from the disk and not from memory, where the system can be asked so.
            with contextlib.suppress(OSError, AttributeError):
                os.posix_fadvise(writing.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        found = state.hexdigest()
        if expected and found != expected:
            raise ChangedError(f"is not what it was when first seen (checksum {found}, was {expected})")
        if checksum(temporary) != found:
            raise ChangedError(f"reads back from {target.parent} otherwise than it was written")
        stat = source.stat()
        os.utime(temporary, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    return found
