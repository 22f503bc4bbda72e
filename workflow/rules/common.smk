"""What the rules share: the shoots of this night, and how a rule names its settings, code and command."""

import atexit
import functools
import gc
import itertools
import json
import os
import re
import shlex
import threading
import time
from pathlib import Path

from files import clock
from files.checked import checksum
from files.stage import read_json, write_text
from house import closing, ids, named_files, night, recipes, seen, settings, shoots
from house import resources as resources_of
from house.fingerprint import fingerprint
from kerbwalk.deliver import OWN_DISPLAYS
from snakemake.exceptions import WorkflowError
from snakemake.settings.types import DeploymentMethod, Quietness
from snakemake.target_jobs import parse_target_jobs_cli_args
from snakemake_interface_executor_plugins.executors.real import RealExecutor
from snakemake_interface_executor_plugins.settings import ExecMode

STARTED, BEGUN = time.time(), time.monotonic()
# Snakemake's graph stays to the end: to look through it for rubbish over and over takes a twelfth of a large night's start.
gc.set_threshold(100_000, 50, 100)
# Nor is it looked through once more at the very end, which takes a sixth of a large night's dry run.
atexit.register(gc.freeze)
# How many jobs that were sent before one shoot's a job of the shoot before it overtakes: some shoots have as many.
NICE = 100
# A dry run of more shoots ends with the table of jobs: what Snakemake would then put together of each, and not show, takes
# two fifths of the time.
MANY = 100
ROOT = Path(workflow.current_basedir).parents[1]
# Below the prefix that a workflow may have given which uses this one as a module.
RESULTS = Path(os.path.abspath(workflow.modifier.path_modifier.replace_prefix(".")))
AS_MODULE = workflow.modifier.skip_configfile
DEFAULTS = ROOT / "config" / "config.yaml"
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


def with_its_python_quoted(executor, job, format_job_exec=RealExecutor.format_job_exec):
    """A job's command as a shell reads it: executors write the path of their Python into it as it stands."""
    python = executor.get_python_executable()
    return format_job_exec(executor, job).replace(f"{python} -m", f"{shlex.quote(python)} -m", 1)


RealExecutor.format_job_exec = with_its_python_quoted


def shoots_of_this_job():
    """The ids that the command line names: Snakemake takes it in only after it has read this file."""
    behind = sys.argv[sys.argv.index("--target-jobs") + 1 :]
    jobs = parse_target_jobs_cli_args(list(itertools.takewhile(lambda word: not word.startswith("--"), behind)))
    return {job.wildcards_dict["shoot"] for job in jobs}


def read_night():
    """What this night is, or a stop with one sentence: settings, where they come from ([(name, table)], the defaults
    first), shoots, their photos' identities, and the shoots beside them that are not asked for.

    They are checked and found anew, or, for a job that was sent to another machine, read as the run has kept them, of
    the job's own shoots alone.
    """
    try:
        if workflow.exec_mode != ExecMode.DEFAULT:
            return *night.recall(RESULTS, shoots_of_this_job()), []
        # A workflow that uses this one as a module gives a config of its own, over the defaults.
        named = [] if AS_MODULE else [file for file in workflow.configfiles if Path(file) != DEFAULTS]
        layers = [(Path(file).name, settings.load(file)) for file in [DEFAULTS, *named]]
        # The defaults may be those of the run's copy of the code.
        for file, (_, table) in zip(["config/config.yaml", *named], layers):
            settings.check(table, file)
        given = settings.merged(config, {} if AS_MODULE else settings.typed(workflow.config_settings.config_args))
        settings.check(given, "the module's config" if AS_MODULE else "the command line (--config)")
        own = settings.normalised(settings.merged(layers[0][1], given))
        settings.check_room(own)
        layers.append(("the module's config" if AS_MODULE else "the command line", given))
        found, others = shoots.find(shoots_folder(own), RESULTS, own, own["only"])
    except settings.SettingsError as error:
        raise WorkflowError(f"{closing.MARK}{error}")
    except FileNotFoundError as error:
        raise WorkflowError(f"{closing.MARK}{error.filename} is missing; start the run by ./scripts/run")
    tokens = known_photos(found)
    # Set by ./scripts/run where it works in the folder, and doesn't only tell something.
    if "KERBWALK_RUN" in os.environ:
        put_clock_right(tokens)
        for shoot in (shoot for shoot in found if shoot.id in tokens):
            shoots.link(shoot, RESULTS)
        night.keep(RESULTS, own, layers, found, tokens)
        # Jobs on other machines read what is kept, and no settings file that may have been edited since.
        workflow.config_settings.configfiles, workflow.config_settings.config_args = [], []
    return own, layers, found, tokens, others


def known_photos(found):
    """What stands for the photos' content, {id: {photo: token}}; photos that cannot be become their shoot's problem."""
    tokens = {}
    for shoot in found:
        try:
            if not shoot.problem:
                tokens[shoot.id] = seen.identities(shoot, RESULTS)
        except (settings.SettingsError, OSError) as error:
            shoot.problem = str(error)
    return tokens


def put_clock_right(ids):
    """Let no result of these shoots be newer than what this run is going to make, and say so in a sentence."""
    files = itertools.chain.from_iterable(clock.results_in(RESULTS / one) for one in ids)
    now = clock.now_in(RESULTS)
    # A second before it, so that no log among them is taken for one of this run.
    if changed := clock.put_right(files, now, now - 10**9):
        print(
            f"note    {len(changed)} files in {RESULTS} had a time stamp that is still to come, as from a clock that ran "
            "ahead, and have the present one now: see that the clocks of this machine and of its disks are right",
            file=sys.stderr,
        )


def shoots_folder(night):
    """The folder of the shoots, absolute: to a relative one a module's prefix would be added."""
    return os.path.abspath(night["shoots"]) if night["shoots"] else ""


NIGHT, LAYERS, SHOOTS, TOKENS, OTHERS = read_night()
GOOD_SHOOTS = [shoot for shoot in SHOOTS if not shoot.problem]
BAD_SHOOTS = [shoot for shoot in SHOOTS if shoot.problem]
if len(SHOOTS) > MANY and workflow.output_settings.quiet == {Quietness.RULES}:
    # By these two Snakemake knows that a dry run shall end there; those who write its lines keep what they were told.
    workflow.output_settings.quiet = {Quietness.RULES, Quietness.PROGRESS}
# Who only asks what would be done is told of them in the last lines as well.
if BAD_SHOOTS and "KERBWALK_RUN" not in os.environ and (told := os.environ.get("KERBWALK_CLOSING")):
    write_text(told, closing.refusals(BAD_SHOOTS))
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
    path for path in (ROOT / "config" / "looks").iterdir() if path.suffix in sum(named_files.LOOK_ENDINGS.values(), ())
)


class Known(dict):
    """Something of each shoot by its id. Who asks for a file of another gets a sentence."""

    def __missing__(self, shoot):
        problem = next((bad.problem for bad in BAD_SHOOTS if bad.id == shoot), "there is no such shoot")
        raise WorkflowError(f"{closing.MARK}what is asked for of '{shoot}' cannot be made: {problem}")


BY_ID = Known((shoot.id, shoot) for shoot in GOOD_SHOOTS)
# From the last to the first.
TURNS = {shoot.id: k for k, shoot in enumerate(sorted(GOOD_SHOOTS[::-1], key=lambda shoot: shoot.settings["priority"]))}
CHUNKS = Known((shoot.id, shoots.chunks(shoot.photos, NIGHT["frames_per_job"])) for shoot in GOOD_SHOOTS)


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
        path = ROOT / "config" / "looks" / stem
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


def in_turn(wildcards):
    """A rule's priority: shoots are finished one after the other, as far as that leaves no core idle, so that the night's
    first clips are there early, and few shoots' frames are on the disk at a time.
    """
    return TURNS[wildcards.shoot]


def behind_others(wildcards):
    """A resource function: SLURM's own word for a rule's priority. Its queue takes jobs as they come, and those of the
    first shoot's last stages come behind the first stages of all.
    """
    if workflow.executor_plugin is None or workflow.executor_plugin.name != "slurm":
        return None
    return f"--nice={NICE * (len(TURNS) - 1 - TURNS[wildcards.shoot])}"


def let_slurm_know_turns():
    """Ask for that for the jobs of all rules, but where the command line or a profile says what is asked for."""
    for one in workflow.rules:
        if "shoot" in one.wildcard_names and one.name != "refuse" and "slurm_extra" not in one.resources:
            one.resources["slurm_extra"] = behind_others


def size_of(shoot):
    """(megapixels of a photo, number of photos)."""
    width, height = photo_size(shoot)
    return width * height / 1e6, len(shoot.photos)


def photo_size(shoot):
    """(width, height) of a shoot's photos: looked for once, and again when ingest has written what it found."""
    try:
        written = os.stat(f"{RESULTS}/{shoot.id}/work/ingest.json").st_mtime_ns
    except FileNotFoundError:
        written = None
    return photo_size_since(shoot.id, written)


@functools.cache
def photo_size_since(shoot, written):
    known = BY_ID[shoot]
    return resources_of.photo_size(RESULTS / shoot / "work" / "ingest.json", known.folder / known.photos[0])


def memory(stage):
    """A resource function: the MB that a stage's job asks for."""

    def mem_mb(wildcards, attempt):
        made = None
        if stage in ("compose", "master"):
            made = stage, picture_size(wildcards)
        elif stage == "deliver":
            made = recipe(wildcards)["codec"], recipe(wildcards)["size"]
        return resources_of.memory_mb(stage, *size_of(BY_ID[wildcards.shoot]), attempt, made)

    return mem_mb


def runtime(stage):
    """A resource function: the minutes that a stage's job asks for."""

    def minutes(wildcards, attempt):
        megapixels, count = size_of(BY_ID[wildcards.shoot])
        if "chunk" in wildcards.keys():
            count = len(CHUNKS[wildcards.shoot][wildcards.chunk])
        return resources_of.minutes(stage, megapixels, count, attempt)

    return minutes


def decoded_mb(wildcards):
    """A resource function: the MB of the frames that a job decodes."""
    shoot = BY_ID[wildcards.shoot]
    count = len(CHUNKS[wildcards.shoot][wildcards.chunk])
    return resources_of.decoded_mb(photo_size(shoot), count, recipes.boxes(shoot.recipes))


def frames_mb(wildcards):
    """A resource function: the MB of all working frames of a job's shoot."""
    shoot, count = BY_ID[wildcards.shoot], len(BY_ID[wildcards.shoot].photos)
    asked = [(recipe["picture"], recipe["size"], recipe["colour"]) for recipe in shoot.recipes.values()]
    pictures = {("", tuple(recipes.master_size(shoot.settings)), "bt709")}
    pictures |= {(picture, tuple(size), shows) for picture, size, shows in asked if picture}
    composed = (resources_of.composed_mb(size, count, shows, not picture) for picture, size, shows in pictures)
    return resources_of.decoded_mb(photo_size(shoot), count, recipes.boxes(shoot.recipes)) + sum(composed)


def leave_at_once():
    """Let Snakemake end without a second's wait for its timers, once all is done. Jobs on other machines, which start it
    twice, know no hook for that.
    """
    threading.main_thread().join()
    for thread in threading.enumerate():
        if isinstance(thread, threading.Timer):
            thread.cancel()


if not AS_MODULE:
    threading.Thread(target=leave_at_once, daemon=True).start()


def close_night(ok):
    """Publish clips under their true names, bring the index page up to date, and say how it went."""
    closing.publish(GOOD_SHOOTS, RESULTS)
    # By the present clock, which may have been set since; logs of this run are younger than by either.
    started = time.time() - (time.monotonic() - BEGUN)
    # Who asks for some things alone is told of those, and the night's pages stay as they are.
    all_of_it = not (asked_for() or files_asked_for())
    beside = pages_and_master if all_of_it else lambda shoot: []
    retries = workflow.execution_settings.retries
    outcomes = closing.outcomes(SHOOTS, RESULTS, wanted, beside, min(STARTED, started), retries)
    notices = closing.notices(SHOOTS, RESULTS, asked_for()) + closing.frames(GOOD_SHOOTS, RESULTS, asked_for())
    notices += shoots.shared_points(SHOOTS)
    if all_of_it or asked_for() == ["draft"]:
        notices += closing.warnings(SHOOTS, RESULTS, asked_for())
    notices += shoots.astray(shoots_folder(NIGHT), RESULTS, {shoot.name for shoot in [*SHOOTS, *OTHERS]})
    if all_of_it:
        closing.write_summary(RESULTS / "summary.json", outcomes, started, time.time())
        if not ok:
            index_after_failure(outcomes)
        notices += closing.amiss(outcomes, SHOOTS, RESULTS)
        notices += closing.left_over(outcomes, SHOOTS, RESULTS, wanted) + closing.doubted(GOOD_SHOOTS, RESULTS)
        if NIGHT["on_finish"]:
            notices += closing.tell(NIGHT["on_finish"], RESULTS / "summary.json")
    text = closing.text(RESULTS, outcomes, notices)
    if told := os.environ.get("KERBWALK_CLOSING"):
        Path(told).write_text(text, encoding="utf-8")
    else:
        print(text, file=sys.stderr)
