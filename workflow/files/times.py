"""What earlier runs took on this machine: the benchmark files that Snakemake leaves in every shoot's work/times."""

import json
from pathlib import Path

from files import benchmark
from kerbwalk.plan.storage import Measured

# The stages that read raw files: their time grows with the photos' size.
READING = ("ingest", "audit", "hot", "decode")


def measured(results):
    """Sums over the finished shoots in a results folder, as Measured; None if there is none.

    Shoots that are half done, and folders that are no shoots, are passed over.
    """
    shoots = [found for found in map(_of_shoot, sorted(Path(results).glob("*/work"))) if found]
    if not shoots:
        return None
    return Measured(*(sum(column) for column in zip(*shoots, strict=True)))


def _of_shoot(work):
    """(photos, megapixels of all, processor seconds of reading stages, of the others, bytes of results), or None."""
    files = list((work / "times").glob("*.tsv"))
    if not any(file.name.startswith("deliver") for file in files):
        return None
    try:
        photos = json.loads((work / "ingest.json").read_text(encoding="utf-8"))["photos"]
        megapixels = sum(photo["width"] * photo["height"] for photo in photos if not photo["problem"]) / 1e6
        jobs = [(stage, benchmark.number(figures["cpu_time"]) or 0.0) for stage, figures in map(benchmark.read, files)]
        reading = sum(seconds for stage, seconds in jobs if stage in READING)
        others = sum(seconds for stage, seconds in jobs if stage not in READING)
    except (OSError, ValueError, LookupError, TypeError):
        return None
    disk = sum(file.stat().st_size for file in work.parent.rglob("*") if file.is_file())
    return (len(photos), megapixels, reading, others, disk) if megapixels and reading and others else None
