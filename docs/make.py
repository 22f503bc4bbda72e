"""Write the pages of the docs that are made from the project itself, so that they cannot be out of date.

docs/settings.md from config/config.yaml and the schema; docs/formats.md from the docstrings of the scripts;
docs/mathematics.md from docs/mathematics.in.md and the docstrings of the maths that name a source; docs/reruns.md from
the rules themselves, each setting being changed in turn (docs/reruns.smk).
With --check nothing is written, and the exit status is 1 where a page is not as it should be.
"""

import argparse
import ast
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import yaml

ROOT = Path(__file__).resolve().parents[1]
MADE = "<!-- Made by docs/make.py. Do not change it here. -->\n"
STAGES = (
    *(
        "ingest",
        "audit",
        "backup",
        "verify",
        "lens",
        "hot",
        "decode",
        "look",
        "match",
        "follow",
        "track",
        "steady",
        "light",
    ),
    *("framing", "retime", "compose", "master", "deliver", "report", "index", "reference", "contact", "draft"),
    *("archive", "tidy"),
)

# What a source looks like in a docstring: a paper's year, a standard, or the word that there is none. BT.2020 is none
# by itself, nor is 1920 x 1080.
SOURCE = re.compile(
    r"(?<!BT\.)\b(1[89]|20)\d\d\b(?! x)|ITU-R|ISO |CIE \d|SMPTE|CIPA|from memory|no source|method of our own"
    r"|of our own design|Own method"
)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true")
    check = parser.parse_args().check
    stale = False
    made = {"settings.md": settings_page, "formats.md": formats_page, "mathematics.md": mathematics_page}
    made["reruns.md"] = reruns_page
    for name, page in made.items():
        text = page()
        path = ROOT / "docs" / name
        if not check:
            path.write_text(text, encoding="utf-8")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            stale = True
            print(f"docs/{name} is out of date: run python docs/make.py", file=sys.stderr)
    return int(stale)


def settings_page():
    """Every setting with its default, what it takes, and what it is for."""
    text = (ROOT / "config" / "config.yaml").read_text(encoding="utf-8")
    defaults = yaml.safe_load(text)
    schema = yaml.safe_load((ROOT / "workflow" / "schemas" / "settings.schema.yaml").read_text(encoding="utf-8"))
    head, *sections = text.strip().split("\n\n")
    lines = [MADE, "# Settings\n", f"{uncommented(head)}\n"]
    for section in sections:
        rows, told = told_of(section)
        # a table with something in it is no setting, but what is in it are
        rows = [row for row in rows if not (isinstance(value := found_in(defaults, row[0]), dict) and value)]
        if not rows:
            # a table whose names are the user's own is shown as it is written
            lines.append(f"\n```yaml\n{section}\n```")
            continue
        lines += [
            f"\n{told}\n" if told else "",
            "| setting | default | takes | what for |",
            "| --- | --- | --- | --- |",
        ]
        for path, said in rows:
            default, described = found_in(defaults, path), found_in_schema(schema, path)
            shown = "" if default is None else f"`{yaml.safe_dump(default, default_flow_style=True).split(chr(10))[0]}`"
            lines.append(f"| `{'.'.join(path)}` | {shown} | {cell(described)} | {cell(said)} |")
    return "\n".join(lines) + "\n"


def told_of(section):
    """The settings of a part of config.yaml: ([(path, comment)], the comment above them)."""
    rows, above, path = [], [], []
    for line in section.splitlines():
        if line.startswith("#"):
            above.append(line)
        elif key := re.match(r"( *)(\w+):(.*)", line):
            depth = len(key[1]) // 2
            path = [*path[:depth], key[2]]
            rows.append([tuple(path), [comment_of(key[3])]])
        else:
            rows[-1][1].append(line.strip().removeprefix("#").strip())
    return [(path, " ".join(filter(None, said))) for path, said in rows], uncommented("\n".join(above))


def comment_of(value):
    """The comment behind a value, which may hold a # in quotes."""
    return (re.search(r"(?:^|\s)#\s*(.*)$", value) or ["", ""])[1]


def uncommented(text):
    return " ".join(line.removeprefix("#").strip() for line in text.splitlines())


def found_in(table, path):
    for key in path:
        table = table[key]
    return table


def found_in_schema(schema, path):
    """What the schema says that a setting takes."""
    part = schema
    for key in path:
        # a table of any names has one schema for all of them
        part = part["properties"][key] if "properties" in part else part["additionalProperties"]
        if "$ref" in part:
            part = schema["$defs"][part["$ref"].rpartition("/")[2]]
    return part["description"]


def cell(text):
    return text.replace("|", "\\|")


def formats_page():
    """What each stage writes, from its script's docstring."""
    lines = [MADE, "# Files and their formats\n"]
    lines.append(
        "Everything of a shoot lies in `RESULTS/<shoot>/`; [DEVELOPERS.md](../DEVELOPERS.md) lists the files. "
        "Fractions are counted from the top left corner; pixel centres lie at integers. Each stage's `--help` says "
        "the same.\n"
    )
    for name in STAGES:
        said = ast.get_docstring(ast.parse((ROOT / "scripts" / f"{name}.py").read_text(encoding="utf-8")))
        lines.append(f"## {name}\n\n```text\n{said}\n```\n")
    return "\n".join(lines)


def mathematics_page():
    """The introduction, and what the modules of the maths say of their methods and sources."""
    lines = [MADE, (ROOT / "docs" / "mathematics.in.md").read_text(encoding="utf-8")]
    for path in sorted((ROOT / "workflow" / "kerbwalk").glob("[a-z]*.py")):
        module = ast.parse(path.read_text(encoding="utf-8"))
        functions = [n for n in module.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
        told = [(f.name, ast.get_docstring(f) or "") for f in functions]
        told = [(name, said) for name, said in told if SOURCE.search(said)]
        said = ast.get_docstring(module)
        if told or SOURCE.search(said):
            lines.append(f"## {path.stem}\n\n{said}\n")
            lines += [f"### {path.stem}.{name}\n\n```text\n{text}\n```\n" for name, text in told]
    return "\n".join(lines)


def reruns_page():
    """Which rules read a setting, or run a module, and so run again when it changes."""
    with tempfile.TemporaryDirectory() as folder:
        shoot = Path(folder, "shoots", "walk")
        shoot.mkdir(parents=True)
        for name in ("1.dng", "other"):
            (shoot / name).touch()
        places = [f"shoots={shoot.parent}", f"results={folder}/results", "deliverables=[hd,uhd,loop,stills]"]
        command = [sys.executable, "-m", "snakemake", "--snakefile", ROOT / "docs" / "reruns.smk", "--cores", "1"]
        told = Path(folder, "told.json")
        subprocess.run(
            [*command, "--directory", f"{folder}/results", "--list-rules", "--config", *places],
            env=os.environ | {"KERBWALK_RERUNS": str(told)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            check=True,
        )
        found = json.loads(told.read_text(encoding="utf-8"))
    lines = [MADE, "# What runs again\n"]
    lines.append(
        "The rules that read a setting or run a module run again when it changes, and with them what they lead to, as "
        "[the graph](../DEVELOPERS.md) has it. Pictures of a size or pace of their own have rules of their own "
        "(`framing_picture`). `aspect` reaches `decode` only where a deliverable has more pixels than the master.\n"
    )
    for title, table, everywhere in (
        ("setting", found["settings"], {"report", "draft_shoot", "archive_shoot"}),
        ("module", found["code"], set()),
    ):
        rows = defaultdict(list)
        for name, rules in table.items():
            rows[tuple(rule for rule in rules if rule not in everywhere)].append(f"`{name}`")
        if everywhere:
            lines.append(f"Beside those named, {', '.join(sorted(everywhere))} read the settings of a shoot.\n")
        lines += [f"| {title} | rules |", "| --- | --- |"]
        lines += [f"| {' '.join(names)} | {' '.join(rules) or 'none'} |" for rules, names in rows.items()]
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
