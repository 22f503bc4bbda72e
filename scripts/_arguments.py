"""What `run` must understand of a Snakemake command line and of the settings files: where the shoots are and
where the results go. Everything else is passed on untouched. Pure functions, no output."""

import difflib
import json
import os
import re
import shlex
import sys
from dataclasses import dataclass, field
from pathlib import Path

import _profile

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "workflow"))

from house import settings  # noqa: E402
from house.photos import is_photo  # noqa: E402

# These only tell something: they take no lock.
INFORMING = {
    *("-n", "--dry-run", "--dryrun", "--lint", "--list", "--list-rules", "-l", "--list-target-rules", "--lt"),
    *("--dag", "--rulegraph", "--filegraph", "--d3dag", "--summary", "-S", "--detailed-summary", "-D"),
    *("--list-changes", "--lc", "--list-input-changes", "--li", "--list-params-changes", "--lp"),
    *("--list-untracked", "--lu", "--list-conda-envs", "--print-compilation", "--report"),
}
# What may be asked for by name; it is no setting or file where it stands behind those.
TARGETS = {"all", "audit", "verify", "reference", "contact", "draft", "archive", "tidy"}
DRY_AMONG_FLAGS = re.compile(r"-[pqfFk]*n[pqfFk]*")  # such as -np


class SettingsError(Exception):
    """A sentence for the user: what is wrong, where, what to do."""


@dataclass
class Arguments:
    """A Snakemake command line taken apart. `others` keeps the order of what is not named here."""

    config: list[tuple[str, str]] = field(default_factory=list)
    config_files: list[Path] = field(default_factory=list)
    workflow_profile: str | None = None
    informing: bool = False
    others: list[str] = field(default_factory=list)

    def without_targets(self, values: list[str]) -> list[str]:
        """The values of an option that takes any number of them, without the targets among them, which are kept."""
        self.others += [value for value in values if value in TARGETS]
        return [value for value in values if value not in TARGETS]


def take_apart(argv: list[str], cwd: Path) -> Arguments:
    """Take `argv` apart as Snakemake's own parser would; paths of settings files become absolute."""
    found = Arguments()
    rest = list(argv)
    while rest:
        token = rest.pop(0)
        if token == "--":
            for word in rest:
                _check_word(word, cwd)
            found.others += [token, *rest]
            break
        option, glued, value = token.partition("=") if token.startswith("--") else (token, "", "")
        if option in ("--config", "-C"):
            for item in [value] if glued else found.without_targets(_values(rest)):
                key, equals, text = item.partition("=")
                if not equals:
                    raise SettingsError(_not_of_that_form(item, found.config))
                if "." in key:
                    raise SettingsError(_in_another(key, text))
                found.config.append((key, text))
        elif option in ("--configfile", "--configfiles"):
            files = [value] if glued else found.without_targets(_values(rest))
            found.config_files += [_absolute(file, cwd) for file in files]
        elif option == "--workflow-profile" and (glued or rest):
            found.workflow_profile = value if glued else rest.pop(0)
        else:
            found.informing |= option in INFORMING or bool(DRY_AMONG_FLAGS.fullmatch(token))
            if not found.others or not found.others[-1].startswith("-"):
                _check_word(token, cwd)
            found.others.append(token)
    return found


def _not_of_that_form(word: str, before: list[tuple[str, str]]) -> str:
    """What is said of a word among --config's KEY=VALUE. before: those before it."""
    said = f"--config takes KEY=VALUE, and {word!r} is not of that form"
    if near := settings.nearest(word, TARGETS):
        return f"{said}; did you mean {near!r}?"
    if before:
        key, text = before[-1]
        return f"{said}; if it belongs to {text!r}, put both in quotes: {key}={shlex.quote(f'{text} {word}')}."
    return f"{said}."


def _in_another(key: str, text: str) -> str:
    """What is said of a setting in another, which Snakemake takes as a table alone. key, text: of KEY=VALUE."""
    outer, *inner = key.split(".")
    for name in reversed(inner):
        text = f"{{{name}: {text}}}"
    return f"--config: {key!r} stands in another setting; write it as {shlex.quote(f'{outer}={text}')}."


def _check_word(word: str, cwd: Path) -> None:
    """Say what was meant by a word that is no option's value, where it is what a newcomer writes first."""
    if word in TARGETS:
        return
    key, equals, _ = word.removeprefix("--").partition("=")
    if key in ("shoots", "results") and (equals or word.startswith("--")):
        raise SettingsError(f"{key} is a setting: say --config shoots=DIR results=DIR.")
    if _absolute(word, cwd).is_dir():
        quoted = shlex.quote(word)
        raise SettingsError(f"{word} is a folder: to run the shoots in it, say --config shoots={quoted} results=DIR.")
    near = difflib.get_close_matches(word, TARGETS, n=1, cutoff=0.7)
    if near:
        raise SettingsError(f"there is nothing called {word!r} to be made; did you mean {near[0]!r}?")


def _values(rest: list[str]) -> list[str]:
    """Take the values of an option that has any number of them: all up to the next option."""
    values = []
    while rest and not rest[0].startswith("-"):
        values.append(rest.pop(0))
    return values


def _absolute(path: str, base: Path) -> Path:
    return Path(os.path.abspath(base / os.path.expanduser(path)))


def places(arguments: Arguments, cwd: Path, repo: Path) -> tuple[Path, Path, bool]:
    """Where the shoots are, where the results go, and whether these are the demo's.

    The command line comes before the settings files it names, the last of those first, and both before
    config/config.yaml. A relative path starts at `cwd`, at the settings file's folder, or at `repo`.
    With no shoots named, the demo's are meant; its results stay beside them unless another place is named.
    """
    demo = repo / "demo-night"
    files = [(repo / "config" / "config.yaml", repo), *((file, file.parent) for file in arguments.config_files)]
    try:
        layers = [(settings.load(file), base, str(file)) for file, base in files]
    except settings.SettingsError as error:
        raise SettingsError(f"{error}.") from None
    layers.append((dict(arguments.config), cwd, "--config"))
    shoots = _last_named("shoots", layers)
    # A word for the shoots that is misspelt would have the demo made, which takes minutes.
    if shoots is None:
        for table, _, where in layers:
            for key in (key for key in table if key not in layers[0][0]):
                near = settings.nearest(str(key), layers[0][0])
                what_to_do = f"the nearest is {near!r}" if near else "docs/settings.md lists all that are"
                raise SettingsError(f"{where}: {key!r} is not a setting; {what_to_do}.")
    results = _last_named("results", layers if shoots else layers[1:])
    if results is None:
        results = demo / "results" if shoots is None else repo / "results"
    if results == shoots:
        raise SettingsError(
            f"results and shoots are the same folder, {results}: name another one for the results, "
            "as nothing is ever written among the raw photos."
        )
    if results.is_dir() and any(map(is_photo, os.listdir(results))):
        raise SettingsError(
            f"results are to go to {results}, which holds photos: name a folder of their own for them, as nothing is "
            "ever written among the raw photos."
        )
    return shoots or demo / "shoots", results, shoots is None


def _last_named(key: str, layers: list[tuple[dict, Path, str]]) -> Path | None:
    named = [(table[key], base, where) for table, base, where in layers if key in table]
    if not named or named[-1][0] in (None, ""):
        return None
    path, base, where = named[-1]
    if not isinstance(path, str):
        raise SettingsError(f"{where}: {key} must be the path of a folder, and is {path!r}.")
    return _absolute(path, base)


def snakemake_options(arguments: Arguments, shoots: Path, results: Path, cwd: Path, repo: Path) -> list[str]:
    """The options for `python -m snakemake`, the user's own last so that they win."""
    items = [f"{key}={value}" for key, value in arguments.config if key not in ("shoots", "results")]
    for key, folder in (("shoots", shoots), ("results", results)):
        # Snakemake reads a value as YAML: quoted, a path stays text whatever signs are in it. As it first
        # strips quotes from the ends, spaces stand there.
        items.append(f"{key}= {json.dumps(str(folder), ensure_ascii=False)} ")
    named = arguments.workflow_profile or "default"
    profile = _profile.find(named, cwd, repo) or named
    files = ["--configfile", *map(str, arguments.config_files)] if arguments.config_files else []
    # The lock of `run` is freed by the kernel at any death, where Snakemake's own would block the next run;
    # and that next run makes again what the death left half made. These two take no values, so they also end
    # the list of --config.
    return [
        *("--snakefile", str(repo / "Snakefile"), "--directory", str(results)),
        *("--workflow-profile", str(profile)),
        *files,
        *("--config", *items, "--nolock", "--rerun-incomplete", *arguments.others),
    ]
