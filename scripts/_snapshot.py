"""A copy of the code for a run to keep: what is edited while the run is under way reaches the next run alone, and jobs
that start Snakemake anew, on other machines, all read the same."""

import contextlib
import hashlib
import os
import shutil
import tempfile
import time
from pathlib import Path

# Docs and licence among them: an archive has its code from this copy, and has to tell by itself what it is.
PARTS = ("DEVELOPERS.md", "LICENSE", "README.md", "Snakefile", "config", "docs", "envs", "scripts", "workflow")
UNUSED_DAYS = 30  # after which a copy that no run was started from goes


def keep(repo: Path, store: Path) -> Path:
    """Return the copy of the code of `repo` in the folder `store`, made unless it is there.

    Its name is the code's checksum. What Python and Numba have compiled is beside each source, and holds for the
    source's time stamp: an unchanged file is taken from the copy before with all that was compiled of it.
    """
    store.mkdir(parents=True, exist_ok=True)
    files = _files(repo)
    copy = store / _digest(files)
    if not copy.exists():
        before = max((e for e in store.iterdir() if e.is_dir()), key=lambda e: e.stat().st_mtime, default=repo)
        with tempfile.TemporaryDirectory(dir=store, prefix=".making-") as made:
            _copy(repo, before, files, Path(made, "code"))
            with contextlib.suppress(FileExistsError, OSError):  # another process was quicker
                os.rename(Path(made, "code"), copy)
    os.utime(copy)
    for old in store.iterdir():
        with contextlib.suppress(OSError):
            if old.stat().st_mtime < time.time() - UNUSED_DAYS * 86400:
                shutil.rmtree(old)
    return copy


def _files(repo: Path) -> dict[str, bytes]:
    """The code: contents by path in the repository."""
    found = {}
    for part in PARTS:
        for file in [repo / part] if (repo / part).is_file() else sorted((repo / part).rglob("*")):
            if file.is_file() and "__pycache__" not in file.parts:
                found[file.relative_to(repo).as_posix()] = file.read_bytes()
    return found


def _digest(files: dict[str, bytes]) -> str:
    digest = hashlib.blake2b(digest_size=8)
    for name, content in sorted(files.items()):
        digest.update(f"{len(name.encode())} {len(content)} {name}".encode() + content)
    return digest.hexdigest()


def _copy(repo: Path, before: Path, files: dict[str, bytes], target: Path) -> None:
    for name, content in files.items():
        same = (before / name).is_file() and (before / name).read_bytes() == content
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2((before if same else repo) / name, target / name)
    for part in PARTS:
        for compiled in (before / part).rglob("__pycache__"):
            place = target / compiled.relative_to(before)
            if place.parent.exists():
                shutil.copytree(compiled, place)
