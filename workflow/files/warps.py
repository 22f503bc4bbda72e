"""Read the warps that steady writes, and those of what fills borders, which framing does (format: their scripts)."""

import json
import re
from pathlib import Path

import numpy as np

from files import stage

# A grid of shifts, which has nothing but numbers.
GRID = re.compile(r'"grid": \[[][\d.eE+\s,-]*\]')


def read_warps(path):
    """The table of warps.json, or of framing.json; the grids of shifts in it are arrays (down, across, 2), or None."""
    return stage.read_json(path, _with_array)


def read_homographies(path):
    """The table of warps.json with None for each grid of shifts: to read their many numbers takes the most time."""
    return json.loads(GRID.sub('"grid": null', Path(path).read_text(encoding="utf-8")))


def _with_array(record):
    # As they come: as lists the grids of a thousand photos would take 0.2 GB.
    if record.get("grid") is not None:
        record["grid"] = np.array(record["grid"])
    return record
