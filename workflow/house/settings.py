"""Settings: read, check against the schema, merge, and say in a sentence what is wrong."""

import contextlib
import copy
import difflib
import functools
import itertools
import os
import re
from fractions import Fraction
from pathlib import Path

import yaml

from house import miswritten

SCHEMA = Path(__file__).parents[1] / "schemas" / "settings.schema.yaml"
LONGEST = 1 << 20  # bytes of a settings file
# How like a known word (difflib's ratio) one is that is taken for it, misspelt: 'fsp' is like 'fps', 'zoom' like none.
LIKE = 0.66
LISTS = ("leave_out", "replaced", "photos", "deliverables")  # settings, of whatever table, that are lists of names
TOLD = 4  # mistakes in one file that are told together
POINT = "write decimals with a point, 0.48, as a comma separates values"
NUMBER = re.compile(r"[+-]?[0-9]*\.?[0-9]+")
MOST = 100_000  # values in one, each as often as references (*name) repeat it
NTSC_RATES = {23.976: "24000/1001", 23.98: "24000/1001", 29.97: "30000/1001", 59.94: "60000/1001"}


class SettingsError(ValueError):
    """A mistake in a settings file; its text is one sentence for the user."""


class _WrittenTwice(yaml.constructor.ConstructorError):
    """A setting that stands twice in one table, of which YAML would take the last."""


class _Loader(yaml.CSafeLoader):
    def construct_mapping(self, node, deep=False):
        seen = set()
        for key, _ in node.value:
            # What references bring in (<<) may be written anew.
            if key.tag != "tag:yaml.org,2002:merge" and isinstance(key.value, str):
                if key.value in seen:
                    raise _WrittenTwice(None, None, f"'{key.value}' stands there a second time", key.start_mark)
                seen.add(key.value)
        return super().construct_mapping(node, deep)


def load(path):
    """Read a YAML settings file as a dict ({} for an empty one).

    Raises SettingsError for text that is not YAML, is no table of settings, or is made without end.
    """
    if os.path.lexists(path) and not (os.path.isfile(path) and os.path.getsize(path) <= LONGEST):
        raise SettingsError(f"{path}: this is no file, or one of more than a megabyte; write a file of settings")
    text = ""
    try:
        text = Path(path).read_text(encoding="utf-8")
        data = yaml.load(text, _Loader)
    except _WrittenTwice as error:
        line = error.problem_mark.line + 1
        raise SettingsError(f"{path}, line {line}: {error.problem}; put all of it under the first one") from None
    except yaml.MarkedYAMLError as error:
        lines = text.splitlines()
        at, wrong, what_to_do = miswritten.told(error, lines)
        raise SettingsError(f"{path}, line {at + 1}, {_shown(lines[at])}: {wrong}; {what_to_do}") from None
    except yaml.YAMLError as error:
        said = " ".join(str(error).split())
        raise SettingsError(f"{path}: this is not YAML ({said}); save it as plain text in UTF-8") from None
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: cannot be read as text ({error}); save it as UTF-8") from None
    except OSError as error:
        raise SettingsError(f"{path} cannot be read ({error.strerror}); correct its name or its permissions") from None
    except ValueError as error:
        raise SettingsError(f"{path}: a value is no number and no date ({error}); correct it, or quote it") from None
    if data is None:
        return {}
    _check_values(data, path)
    if not isinstance(data, dict):
        wrong = miswritten.line(data) if isinstance(data, str) else None
        more = f": {'; '.join(wrong)}" if wrong else ""
        raise SettingsError(f"{path}: expected settings as 'key: value' lines, found {_shown(data)}{more}")
    return data


def _check_values(data, path):
    """Raise SettingsError where references make more of a few lines than anyone could check or print, and for .nan,
    which is within any bounds."""
    left, count = [data], 0
    while left:
        value, count = left.pop(), count + 1
        if count > MOST:
            raise SettingsError(f"{path}: these are more than {MOST} settings; write fewer, without references (*name)")
        if value != value:
            raise SettingsError(f"{path}: a value is .nan, which is no number; correct it")
        if isinstance(value, (dict, list, set)):
            left += value.values() if isinstance(value, dict) else value


def typed(arguments):
    """The tables and lists among --config's "KEY=VALUE" with their numbers, and true and false, which Snakemake leaves
    as text.

    arguments: list of text, or None. What is no YAML is left out, and so to the check of what Snakemake makes of it.
    """
    found = {}
    for key, _, text in (argument.partition("=") for argument in arguments or ()):
        with contextlib.suppress(yaml.YAMLError):
            value = yaml.load(text, yaml.CSafeLoader)
            if isinstance(value, (dict, list)) or text in ("true", "false"):
                found = merged(found, {key: value})
    return found


def check(settings, source, night=True):
    """Check a (partial) table of settings against the schema.

    settings: dict; source: str, the file's name for the message; night: whether the settings that
    concern the whole night are allowed (not in a shoot.yaml). Raises SettingsError with one sentence
    that names file, key, what was expected and, for an unknown key, the nearest valid one.
    """
    if not settings:
        return
    import jsonschema  # slow to import, and most shoots have no settings of their own

    settings = normalised(settings)
    for key in settings if not night else ():
        if key in of_the_night():
            raise SettingsError(f"{source}: '{key}' concerns the whole night; set it in config.yaml, not for one shoot")
    validator = jsonschema.Draft202012Validator(_schema())
    errors = sorted(validator.iter_errors(settings), key=lambda e: [str(p) for p in e.absolute_path])
    if errors:
        raise SettingsError(f"{source}: {'; and '.join([*dict.fromkeys(map(_sentence, errors))][:TOLD])}")
    if "aspect" in settings and not 0.25 <= ratio(settings["aspect"]) <= 4:
        expected = _schema()["$defs"]["aspect"]["description"]
        raise SettingsError(f"{source}: 'aspect' is '{settings['aspect']}'; expected {expected}")


def check_framing(settings, source):
    """Raise SettingsError where a whole table of settings, of the file or folder `source`, says twice where the crop
    lies."""
    if settings["framing"]["hold_at"] and settings["framing"]["centre"]:
        raise SettingsError(
            f"{source}: 'framing.hold_at' and 'framing.centre' both say where the crop lies; take one out"
        )


def check_room(settings):
    """Raise SettingsError where a whole table of settings bounds frames that it keeps."""
    if settings["disk_gb"] and settings["keep_frames"]:
        raise SettingsError("'disk_gb' is for frames that go when used; set 'keep_frames: false' too, or leave it out")


def of_the_night():
    """The settings that concern the whole night and no single shoot, as the schema marks them."""
    return {key for key, schema in _schema()["properties"].items() if schema.get("night")}


def merged(base, override):
    """Deep-merge two tables of settings; a table that replaces a plain value, or the reverse, replaces it."""
    result = copy.copy(base)
    for key, value in override.items():
        both_tables = isinstance(value, dict) and isinstance(result.get(key), dict)
        # A white balance is one choice out of three: a new one replaces the old one whole; so do a CDL, a display
        # and a lens.
        if both_tables and key not in ("white_balance", "cdl", "display", "lens"):
            result[key] = merged(result[key], value)
        else:
            result[key] = value
    return result


def flattened(table, above=()):
    """A table of settings as (path, value), path a tuple of keys; an empty table is a value."""
    for key, value in table.items():
        if isinstance(value, dict) and value:
            yield from flattened(value, (*above, str(key)))
        else:
            yield (*above, str(key)), value


def origins(settings, layers, own):
    """Where the settings that are not the defaults come from: {key with its path: name}.

    settings: the merged table; layers: [(name, table)] of the night, the defaults first; own: [(name, table)] of the
    shoot, to which all that they hold is put down. Of the night's layers a setting is put down to the first that has
    its value.
    """
    tables = [(name, dict(flattened(normalised(table)))) for name, table in layers]
    shoots = [(name, dict(flattened(normalised(table)))) for name, table in own]
    found = {}
    for path, value in flattened(settings):
        said = [name for name, table in reversed(shoots) if path in table]
        came = [k for k, (_, table) in enumerate(tables) if path in table and table[path] == value]
        if said:
            found[".".join(path)] = said[0]
        elif came and came[0] > 0:
            found[".".join(path)] = tables[came[0]][0]
    return found


def normalised(settings, below=2):
    """Settings as they were meant: YAML 1.1's reading of an unquoted 16:9 as a base-60 number (16 * 60 + 9) undone, and
    one name where several may stand made a list of one.

    below: how many tables within tables are looked into, as they may be nested without end.
    """
    found = {}
    for key, value in settings.items():
        if isinstance(value, dict) and below:
            value = normalised(value, below - 1)
        elif key == "aspect" and type(value) is int and value > 60:
            value = f"{value // 60}:{value % 60}"
        elif key in LISTS and isinstance(value, str) and "," not in value:
            value = [value]
        found[key] = value
    return found


def rate(fps):
    """The frame rate as an exact Fraction: 24 -> 24, 23.976 and '24000/1001' -> 24000/1001."""
    return Fraction(str(NTSC_RATES.get(fps, fps)))


def frame_rate(fps):
    """The frame rate as an exact fraction in text: 24 -> '24/1', 23.976 -> '24000/1001'."""
    exact = rate(fps)
    return f"{exact.numerator}/{exact.denominator}"


def ratio(aspect):
    """Width over height of an aspect such as '16:9', exactly; 0 for a height of 0."""
    width, height = (Fraction(part) for part in aspect.split(":"))
    return width / height if height else Fraction(0)


def nearest(word, known):
    """The known word that is most like a given one, or None where none is so like it that it may be meant."""
    by_lower_case = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), by_lower_case, n=1, cutoff=LIKE)
    return by_lower_case[found[0]] if found else None


@functools.cache
def _schema():
    return yaml.load(SCHEMA.read_text(encoding="utf-8"), yaml.CSafeLoader)


def _sentence(error):
    here = [str(p) for p in error.absolute_path]
    if error.validator == "additionalProperties":
        known = error.schema["properties"]
        unknown = str(next(k for k in error.instance if k not in known))
        # It may stand in the wrong table; of two of one name that of this table is meant.
        beside, elsewhere = ([*here, key] for key in known), map(list, _paths(_schema()))
        keys = {names[-1].lower(): names for names in [*elsewhere, *beside]}
        near = nearest(unknown, keys)
        what_to_do = f"the nearest is '{'.'.join(keys[near])}'" if near else "docs/settings.md lists all that are"
        if near == unknown.lower() and list(keys[near])[:-1] != here:
            above = ".".join(keys[near][:-1])
            what_to_do += f", which stands under '{above}:', indented" if above else ", which stands at the left margin"
        # What "{exposure: 0,7}" is read as.
        elif unknown.isdecimal():
            what_to_do = POINT
        # What "{exposure:0.7}" is.
        elif wrong := miswritten.line(unknown) if ":" in unknown else None:
            what_to_do = "; ".join(wrong)
        return f"'{'.'.join([*here, unknown])}' is not a setting; {what_to_do}"
    # What lies in a list is told by the list's name and its place there.
    path = ".".join(part for part in error.absolute_path if isinstance(part, str))
    entries = [f"entry {part + 1}" for part in error.absolute_path if isinstance(part, int)]
    place = f", {' of '.join(reversed(entries))}," if entries else ""
    more = f"; {POINT}" if _has_commas(error.instance) else ""
    if isinstance(error.instance, str) and NUMBER.fullmatch(error.instance):
        more = "; write a number without quotes"
    return f"'{path}'{place} is {_shown(error.instance)}; expected {_expected(error)}{more}"


def _has_commas(value):
    """Whether a value looks like decimals that were written with a comma: 23,976, or [0,48, 0.31], which is three."""
    if isinstance(value, str):
        return bool(re.fullmatch(r"-?[0-9]+,[0-9]+", value))
    if isinstance(value, dict):
        return any(map(_has_commas, value.values()))
    if not isinstance(value, list):
        return False
    halves = any((type(a), a, type(b)) == (int, 0, int) for a, b in itertools.pairwise(value))
    return any(map(_has_commas, value)) or (len(value) > 2 and halves)


def _paths(schema, above=()):
    """The paths of all settings below a schema's."""
    for key, described in schema.get("properties", {}).items():
        yield (*above, key)
        yield from _paths(described, (*above, key))


def _expected(error):
    """What the schema says of the nearest described thing about the error; list items are told by their list."""
    schema, path = _schema(), list(error.absolute_path)
    described = schema
    for part in path:
        schema = (
            schema.get("properties", {}).get(part) or schema.get("items") or schema.get("additionalProperties") or {}
        )
        schema = _schema()["$defs"][schema["$ref"].rpartition("/")[2]] if "$ref" in schema else schema
        described = schema if "description" in schema else described
    return described["description"]


def _shown(value):
    if isinstance(value, bool):
        return "true (which is written yes and on as well)" if value else "false (which is written no and off as well)"
    text = "nothing" if value is None else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
