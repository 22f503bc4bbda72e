"""What the rules share: how a rule names its settings, code, inputs and command."""

import json
import shlex
import sys
from pathlib import Path

from files.checked import checksum
from house import ids, named_files, recipes, shoots
from house.fingerprint import fingerprint
from kerbwalk.deliver import OWN_DISPLAYS
from snakemake.exceptions import WorkflowError
from snakemake.settings.types import DeploymentMethod
from snakemake_interface_executor_plugins.executors.real import RealExecutor

# What every rule needs, for who lets Snakemake build it by conda (--sdm conda); ./scripts/run needs no conda.
ENVIRONMENT = str(ROOT / "envs" / "environment.yaml")
BY_CONDA = DeploymentMethod.CONDA in workflow.deployment_settings.deployment_method
# Every rule's command is "kerbwalk <stage> ...", which runs the stage's script with this Python, or conda's; before it
# the minutes are told that the job asks for, as on one machine no scheduler ends what hangs (files/stage.py).
# (Snakemake formats the prefix, so that braces in it have to be doubled.)
# The C library keeps the memory of one picture for the next, in large pages: to ask the kernel for it anew each time
# would take a third of decode's time.
MEMORY = "GLIBC_TUNABLES=glibc.malloc.hugetlb=1:glibc.malloc.mmap_max=0:glibc.malloc.trim_threshold=4294967296"
INTERPRETER = "python" if BY_CONDA else shlex.quote(sys.executable)
PYTHON = f'{MEMORY} {INTERPRETER} {shlex.quote(str(ROOT / "scripts"))}'
COMMAND = f'kerbwalk() {{ local s=$1; shift; {PYTHON}/$s.py "$@"; }}'
shell.prefix(f"set -euo pipefail; {COMMAND}; ".replace("{", "{{").replace("}", "}}"))
# What is made when its name stands on the command line.
ON_REQUEST = {
    "audit": "audit.json",
    "verify": "work/verified.json",
    "reference": "reference.tif",
    "contact": "contact.html",
    "draft": "draft/report.html",
    "archive": "archive/bagit.txt",
    "tidy": "work/tidied.json",
}
# The looks to choose from.
LOOKS = sorted(
    path for path in named_files.LOOKS.iterdir() if path.suffix in sum(named_files.LOOK_ENDINGS.values(), ())
)


def with_its_python_quoted(executor, job, format_job_exec=RealExecutor.format_job_exec):
    """A job's command as a shell reads it: executors write the path of their Python into it as it stands."""
    python = executor.get_python_executable()
    return format_job_exec(executor, job).replace(f"{python} -m", f"{shlex.quote(python)} -m", 1)


RealExecutor.format_job_exec = with_its_python_quoted


wildcard_constraints:
    shoot="[^/]+",
    chunk="[0-9]+",
    picture="[0-9]+x[0-9]+(_[a-z0-9]+)?(-[A-Za-z0-9-]+)?",
    deliverable=r"[A-Za-z0-9-]+(\.[a-z0-9]+)?",


def picked(*keys):
    """A params function: just these settings of the shoot, as JSON, so that the rule reruns for no others."""

    def settings_of(wildcards):
        own = BY_ID[wildcards.shoot].settings
        return json.dumps({key: own[key] for key in keys}, sort_keys=True)

    return settings_of


def photos(wildcards):
    """A params function: the paths of the photos that a job reads.

    No inputs: Snakemake would look at them one by one in each of its processes, and stop the whole night where a
    disk with one shoot's photos goes away. identity() says when they have changed.
    """
    shoot = BY_ID[wildcards.shoot]
    names = CHUNKS[wildcards.shoot][wildcards.chunk] if "chunk" in wildcards.keys() else shoot.photos
    return [f"{folder(wildcards)}/{name}" for name in names]


def folder(wildcards):
    """A params function: the path of a shoot's folder."""
    shoot = BY_ID[wildcards.shoot]
    # Another workflow's paths begin elsewhere.
    return str(shoot.folder) if AS_MODULE else shoots.way_to(shoot, RESULTS)


def identity(wildcards):
    """The content of the photos that a job reads, as one short text."""
    names = BY_ID[wildcards.shoot].photos
    if "chunk" in wildcards.keys():
        names = CHUNKS[wildcards.shoot][wildcards.chunk]
    tokens = TOKENS[wildcards.shoot]
    return ids.digest(json.dumps([[name, tokens[name]] for name in names]).encode())


def every_chunk(pattern):
    """An input function: one file for each chunk of the shoot."""

    def files(wildcards):
        return [pattern.format(shoot=wildcards.shoot, chunk=chunk) for chunk in CHUNKS[wildcards.shoot]]

    return files


def picture_of(wildcards):
    """The picture that a job is about or that its deliverable is encoded from; "" for the master's."""
    if "deliverable" in wildcards.keys():
        return recipe(wildcards)["picture"]
    return wildcards.picture if "picture" in wildcards.keys() else ""


def shows(wildcards):
    """What the picture that a job is about shows: the master's signal, or that of a display of its own."""
    return next((kind for kind in OWN_DISPLAYS if f"_{kind}" in picture_of(wildcards)), "bt709")


def look_for(wildcards):
    """The look that makes what a picture shows."""
    look = {"pq": "hdr", "hlg": "hdr", "linear": "linear"}.get(shows(wildcards), "look")
    return f"{wildcards.shoot}/work/{look}.ctf"


def matched(wildcards):
    """What says how near the look comes to the graded still, if there is one.

    Whoever takes the look asks for it too: where the look was made without a still before, Snakemake has no record of
    this one of match's outputs, so compares no settings, and would pass the old look over.
    """
    return [f"{wildcards.shoot}/work/match.json"] if BY_ID[wildcards.shoot].settings["look"]["match"] else []


def of_picture(wildcards, file):
    """A file in work/ of the picture that a job is about."""
    own = picture_of(wildcards)
    return f"{wildcards.shoot}/work/{own}/{file}" if own else f"{wildcards.shoot}/work/{file}"


def timeline(wildcards):
    """The file with the frames of a picture's clip: steady's, or that of a pace of its own."""
    return of_picture(wildcards, "warps.json") if "-" in picture_of(wildcards) else f"{wildcards.shoot}/work/warps.json"


def ready(wildcards):
    """The parts of the pictures that compose lays ready, for what is encoded from them."""
    return every_chunk("{shoot}/work/composed/{chunk}.yuv")(wildcards) if recipe(wildcards)["ready"] else []


def own_master(wildcards):
    """The master that a deliverable is encoded from, if not from such pictures."""
    if recipe(wildcards)["ready"]:
        return []
    return of_picture(wildcards, "master.mkv") if picture_of(wildcards) else f"{wildcards.shoot}/master.mkv"


def of_recipe(wildcards):
    """The first recipe that asks for the picture that a job is about."""
    asked = BY_ID[wildcards.shoot].recipes.values()
    return next(recipe for recipe in asked if recipe["picture"] == wildcards.picture)


def every_part(ending):
    """An input function: the composed parts of the picture that a job is about."""
    return lambda w: every_chunk(of_picture(w, f"composed/{{chunk}}.{ending}"))(w)


def picture_size(wildcards):
    """[width, height] of the picture that a job is about."""
    if "picture" in wildcards.keys():
        return of_recipe(wildcards)["size"]
    return recipes.master_size(BY_ID[wildcards.shoot].settings)


def framed(wildcards):
    """What the framing has to know: the picture's size, and what decoding goes by."""
    shoot = BY_ID[wildcards.shoot]
    known = {"output": picture_size(wildcards), "boxes": recipes.boxes(shoot.recipes)}
    return json.dumps(known | {"framing": shoot.settings["framing"]})


def fills(wildcards):
    """Whether photos may lack borders, so that the framing has to look at them."""
    return BY_ID[wildcards.shoot].settings["framing"]["fill"] > 0


def deliverables(shoot):
    """The recipes of a shoot's deliverables by the end of their files' names: hd.mp4, stills."""
    ended = {name: [name, recipe["ending"]] for name, recipe in shoot.recipes.items()}
    return {".".join(filter(None, parts)): shoot.recipes[name] for name, parts in ended.items()}


def about(wildcards):
    """What a shoot's files say of themselves, as JSON."""
    shoot = BY_ID[wildcards.shoot]
    told = shoot.settings["about"]
    return json.dumps(told | {"title": told["title"] or shoot.name}, ensure_ascii=False)


def recipe(wildcards):
    return deliverables(BY_ID[wildcards.shoot])[wildcards.deliverable]


def clips(shoot):
    """The deliverables that a shoot is run for, relative to the results folder."""
    return [f"{shoot.id}/{shoot.id}_{deliverable}" for deliverable in deliverables(shoot)]


def copied(shoot):
    """What says that the shoot's photos are copied to a second place, if they are to be."""
    return [f"{shoot.id}/work/backup.json"] if shoot.settings["ingest"]["copy_to"] else []


def pages_and_master(shoot):
    """What every shoot has beside its clips."""
    return [f"{shoot.id}/{file}" for file in ("master.mkv", "report.html", "work/card.json")]


def wanted(shoot):
    """The files that a shoot is run for: its clips, what was asked for by name, or such files as were."""
    if files := files_asked_for():
        return [file for file in files if file.startswith(f"{shoot.id}/")]
    return [f"{shoot.id}/{ON_REQUEST[target]}" for target in asked_for()] or clips(shoot)


def files_asked_for():
    return [target for target in workflow.dag_settings.targets if "/" in target]


def asked_for():
    """The names on the command line, of those in ON_REQUEST, if there are no others."""
    targets = set(workflow.dag_settings.targets)
    return sorted(targets) if targets <= ON_REQUEST.keys() else []


def of_every_shoot(files):
    """An input function: some files of every shoot that can be worked on, and the refusals of the others."""

    def inputs(wildcards):
        found = [f".kerbwalk/refused/{shoot.id}" for shoot in BAD_SHOOTS]
        return found + [path for shoot in GOOD_SHOOTS for path in files(shoot)]

    return inputs


def named_path(wildcards, file):
    """The path of a file that settings name, as a job is told it."""
    own = BY_ID[wildcards.shoot].folder
    if file.is_relative_to(own):
        return f"{folder(wildcards)}/{file.relative_to(own)}"
    return named_files.own_path(file, RESULTS)


def contents(find):
    """Two params functions, for a file that find(wildcards) gives as (path, checksum), or None: its path, and the
    checksum, which says when it has changed. It is no input for the reasons that photos are none.
    """

    def path(wildcards):
        found = find(wildcards)
        return [named_path(wildcards, Path(found[0]))] if found else []

    def content(wildcards):
        found = find(wildcards)
        return found[1] if found else ""

    return path, content


def named(key):
    """contents() of the file that a setting names, if it names one."""
    return contents(lambda wildcards: BY_ID[wildcards.shoot].files.get(key))


def look_file(wildcards, kind):
    """The CDL or LUT of a look: of one in config/looks, or the one that the settings name. kind: cdl or lut."""
    stem = wildcards.look.removeprefix("looks/")
    if stem != wildcards.look:
        path = named_files.LOOKS / stem
        return (path, checksum(path)) if path.suffix in named_files.LOOK_ENDINGS[kind] else None
    return BY_ID[wildcards.shoot].files.get(f"look.{kind}")


DARK, STILL, DISPLAY = named("dark"), named("look.match"), named("look.display.config")
DRAFT_CDL, DRAFT_LUT = named("look.cdl"), named("look.lut")
CDL, LUT = (contents(lambda wildcards, kind=kind: look_file(wildcards, kind)) for kind in ("cdl", "lut"))

NAMED = DARK, STILL, DISPLAY, DRAFT_CDL, DRAFT_LUT


def named_in_folder(wildcards):
    """The files of the shoot's folder that its settings name, beside the photos, as paths in it."""
    shoot = BY_ID[wildcards.shoot]
    files = [Path(path) for path, _ in shoot.files.values()]
    return json.dumps([str(file.relative_to(shoot.folder)) for file in files if file.is_relative_to(shoot.folder)])


def written(wildcards):
    """The checksum of a shoot's own settings as they are written, comments and all; "" where there are none."""
    path = BY_ID[wildcards.shoot].folder / "shoot.yaml"
    return checksum(path) if path.exists() else ""


def complete_settings(wildcards):
    """The settings of the night and of the shoot, with which the photos make the same clip wherever they lie."""
    own = BY_ID[wildcards.shoot].settings
    shoot = {key: own[key] for key in REPORTED} | {"split": "one", "ingest": {"copy_to": None}}
    return json.dumps({"night": {key: NIGHT[key] for key in ("frames_per_job", "keep_frames")}, "shoot": shoot})


def shown(path, caption, subcategory, what):
    """An output that Snakemake's own report (--report) shows, by shoot; its caption lies in workflow/report/captions."""
    caption = str(ROOT / "workflow" / "report" / "captions" / f"{caption}.rst")
    return report(path, caption=caption, category="{shoot}", subcategory=subcategory, labels={"shows": what})


def frame_temp(path):
    """Working frames go once they are used, where the settings say so."""
    return path if NIGHT["keep_frames"] else temp(path)
