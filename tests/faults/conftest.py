"""Photos with faults, and what a run may and may not say and do."""

import hashlib
import struct

import pytest


@pytest.fixture(scope="session")
def retagged():
    """A function: a photo's bytes with some tags of its first directory (TIFF 6.0, section 2) renumbered, as good as
    missing."""

    def change(data, numbers):
        data = bytearray(data)
        (count,) = struct.unpack_from("<H", data, 8)
        for place in range(10, 10 + 12 * count, 12):
            (tag,) = struct.unpack_from("<H", data, place)
            struct.pack_into("<H", data, place, numbers.get(tag, tag))
        return bytes(data)

    return change


@pytest.fixture(scope="session")
def content():
    """A function: checksum, size and time stamp of every file in a folder that is no link."""

    def read(folder):
        found = {}
        for file in folder.rglob("*"):
            if file.is_file() and not file.is_symlink():
                stat = file.stat()
                found[file] = hashlib.blake2b(file.read_bytes()).digest(), stat.st_size, stat.st_mtime_ns
        return found

    return read


@pytest.fixture(scope="session")
def failures():
    """A function: the sentences of the closing lines, {shoot: [why it failed, ...]}."""

    def read(said):
        found = {}
        for line in said.splitlines():
            if line.startswith("FAILED  "):
                shoot, _, reason = line.removeprefix("FAILED  ").partition(": ")
                found.setdefault(shoot, []).append(reason)
        return found

    return read
