"""What this night is: its settings, its shoots, and what stands for their photos' content."""

import atexit
import gc
import itertools
import json
import os
import sys
import time
from pathlib import Path

from files import clock
from files.stage import write_text
from house import closing, night, seen, settings, shoots
from snakemake.exceptions import WorkflowError
from snakemake.settings.types import Quietness
from snakemake.target_jobs import parse_target_jobs_cli_args
from snakemake_interface_executor_plugins.settings import ExecMode

STARTED, BEGUN = time.time(), time.monotonic()
# Snakemake's graph stays to the end: to look through it for rubbish over and over takes a twelfth of a large night's start.
gc.set_threshold(100_000, 50, 100)
# Nor is it looked through once more at the very end, which takes a sixth of a large night's dry run.
atexit.register(gc.freeze)
# A dry run of more shoots ends with the table of jobs: what Snakemake would then put together of each, and not show, takes
# two fifths of the time.
MANY = 100
ROOT = Path(workflow.current_basedir).parents[1]
# Below the prefix that a workflow may have given which uses this one as a module.
RESULTS = Path(os.path.abspath(workflow.modifier.path_modifier.replace_prefix(".")))
AS_MODULE = workflow.modifier.skip_configfile
DEFAULTS = ROOT / "config" / "config.yaml"


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


class Known(dict):
    """Something of each shoot by its id. Who asks for a file of another gets a sentence."""

    def __missing__(self, shoot):
        problem = next((bad.problem for bad in BAD_SHOOTS if bad.id == shoot), "there is no such shoot")
        raise WorkflowError(f"{closing.MARK}what is asked for of '{shoot}' cannot be made: {problem}")


BY_ID = Known((shoot.id, shoot) for shoot in GOOD_SHOOTS)
# From the last to the first.
TURNS = {shoot.id: k for k, shoot in enumerate(sorted(GOOD_SHOOTS[::-1], key=lambda shoot: shoot.settings["priority"]))}
CHUNKS = Known((shoot.id, shoots.chunks(shoot.photos, NIGHT["frames_per_job"])) for shoot in GOOD_SHOOTS)
