"""What jobs ask for: their place in the queue, memory, minutes, and room on the disk."""

import functools
import os

from house import recipes
from house import resources as resources_of

# How many jobs that were sent before one shoot's a job of the shoot before it overtakes: some shoots have as many.
NICE = 100


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
