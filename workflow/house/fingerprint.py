"""A fingerprint of the code that a stage runs, so that a change of code reruns just what depends on it."""

import functools
import hashlib
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
# To parse all modules would take a seventh of Snakemake's start. What looks like an import in a docstring names no
# module of ours.
IMPORT = re.compile(r"^\s*(?:from (\w[\w.]*) import (\([^)]*\)|.*)|import (.*))$", re.MULTILINE)


@functools.cache
def fingerprint(stage):
    """Hash of the text of scripts/<stage>.py and of every kerbwalk module that it imports, directly or not."""
    modules = modules_of(stage)
    text = "\n".join(f"{name}\n{modules[name]}" for name in sorted(modules))
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()


def modules_of(stage):
    """{path in the repository: text} of what a stage runs: its script, and the modules that it imports."""
    modules = {}
    _collect(ROOT / "scripts" / f"{stage}.py", modules)
    return modules


def _collect(path, modules):
    name = path.relative_to(ROOT).as_posix()
    if name in modules:
        return
    modules[name] = path.read_text(encoding="utf-8")
    for module in _imports(modules[name]):
        file = ROOT / "workflow" / Path(*module.split(".")).with_suffix(".py")
        if file.exists():
            _collect(file, modules)


@functools.cache
def _imports(source):
    imported = []
    for package, names, modules in IMPORT.findall(source):
        words = re.findall(r"\w[\w.]*", names or modules)
        imported += [package, *(f"{package}.{word}" for word in words)] if package else words
    return imported
