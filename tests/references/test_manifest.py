"""ASC MHL 2.0 as its reference implementation reads it: the package ascmhl.

It asks for an older release of a package than snakefmt does, and so lies in an environment of its own, the folder of
whose programs ./scripts/test names in KERBWALK_ASCMHL.
"""

import os
import shutil
import subprocess

import pytest

from files import checked, manifest

PLACE = os.environ.get("KERBWALK_ASCMHL")


@pytest.fixture
def folder(tmp_path):
    """A folder of files with its history in two generations."""
    contents = {"100KW/KW_0101.dng": b"one", "100KW/it's & ü.dng": b"two", "notes.txt": b"three"}
    fields = []
    for name, content in contents.items():
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
        stat = path.stat()
        entry = {"path": name, "bytes": stat.st_size, "modified": stat.st_mtime, "checksum": checked.digest(content)}
        fields.append(entry)
        manifest.add(tmp_path, fields)
    return tmp_path


def ascmhl(*arguments):
    program = shutil.which("ascmhl-debug" if arguments[0] == "verify" else "ascmhl", path=PLACE)
    if not program:
        pytest.skip("ascmhl is missing: start the tests by ./scripts/test")
    return subprocess.run([program, *map(str, arguments)], capture_output=True, text=True, timeout=60)


def test_it_verifies_what_we_wrote(folder):
    done = ascmhl("verify", folder)
    assert done.returncode == 0, done.stdout + done.stderr


def test_it_misses_what_we_would_miss(folder):
    (folder / "100KW" / "KW_0101.dng").write_bytes(b"onf")
    done = ascmhl("verify", folder)
    assert done.returncode != 0
    assert "KW_0101.dng" in done.stdout + done.stderr


def test_it_goes_on_with_our_history(folder):
    done = ascmhl("create", "-h", "xxh128", folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert manifest.latest(folder).keys() == {"100KW/KW_0101.dng", "100KW/it's & ü.dng", "notes.txt"}


def test_c4_of_nothing():
    """SMPTE ST 2114: the ID of no bytes at all, as its text gives it (from memory)."""
    assert manifest.c4(b"") == (
        "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"
    )
