"""What Snakemake's benchmark files (work/times/<stage>[.<part>].tsv) say of the jobs that they are of."""

import csv
from pathlib import Path


def read(path):
    """(stage, figures) of one job: figures as texts by Snakemake's names, '-' or 'NA' where it was over at once."""
    with open(path, newline="", encoding="utf-8") as file:
        return Path(path).name.split(".")[0], list(csv.DictReader(file, delimiter="\t"))[0]


def number(text):
    """A figure, or None where there is none."""
    return None if text in ("-", "NA") else float(text)
