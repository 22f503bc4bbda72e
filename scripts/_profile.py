"""Where a profile lies, and which executor a command line asks for (standard library only: `run` needs to know it
before there is an environment)."""

import os
import re
from pathlib import Path

_EXECUTOR = re.compile(r"^executor:\s*[\"']?([\w-]+)", re.MULTILINE)


def find(named: str, cwd: Path, repo: Path) -> Path | None:
    """A profile's folder or file, looked for from the current folder, the repository, and its profiles."""
    for base in (cwd, repo, repo / "workflow" / "profiles"):
        place = Path(os.path.abspath(base / os.path.expanduser(named)))
        if place.exists():
            return place
    return None


def executor(argv: list[str], cwd: Path, repo: Path) -> str | None:
    """The executor that the command line names, itself or by a profile; None: this machine's own processors."""
    found = None
    for option, value in _options(argv):
        if option in ("--executor", "-e"):
            return value
        if option in ("--workflow-profile", "--profile") and (place := find(value, cwd, repo)):
            files = [place] if place.is_file() else sorted(place.glob("config*.yaml"))
            for file in files:
                if match := _EXECUTOR.search(file.read_text(encoding="utf-8", errors="replace")):
                    found = match[1]
    return found


def _options(argv):
    """The options with the values that stand behind them, or are joined to them by an equals sign."""
    for token, following in zip(argv, [*argv, ""][1:], strict=True):
        option, glued, value = token.partition("=")
        yield option, value if glued else following
