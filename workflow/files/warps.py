"""Read the warps that steady writes, and those of what fills borders, which framing does (format: their scripts)."""

import numpy as np

from files import stage


def read_warps(path):
    """The table of warps.json, or of framing.json; the grids of shifts in it are arrays (down, across, 2), or None."""
    return stage.read_json(path, _with_array)


def _with_array(record):
    # As they come: as lists the grids of a thousand photos would take 0.2 GB.
    if record.get("grid") is not None:
        record["grid"] = np.array(record["grid"])
    return record
