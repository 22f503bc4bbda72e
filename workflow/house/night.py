"""What a run has settled at its start, for its jobs on other machines.

A job on a cluster starts Snakemake anew. It reads its own shoots from here, and neither looks for all the others nor
reads settings that may have been edited since.
"""

import json
from dataclasses import asdict
from pathlib import Path

from house.seen import write_quickly
from house.shoots import Shoot

FOLDER = ".kerbwalk/night"


def keep(results_dir, settings, layers, shoots, tokens):
    """Write down the night's settings, and each shoot with what stands for its photos' content.

    layers: where the settings come from, [(name, table)]; tokens: {id: {photo: token}}, see seen.identities, of those
    shoots that can be worked on, which alone are kept. Unchanged files stay as they are.
    """
    folder = Path(results_dir, FOLDER)
    write_quickly(folder / "night.json", {"settings": settings, "layers": layers})
    for shoot in (shoot for shoot in shoots if shoot.id in tokens):
        write_quickly(
            folder / f"{shoot.id}.shoot", asdict(shoot) | {"folder": str(shoot.folder), "tokens": tokens[shoot.id]}
        )


def recall(results_dir, ids):
    """(settings, layers, shoots, tokens), as keep() was given them, of the shoots with these ids alone.

    Raises FileNotFoundError where no run has kept them.
    """
    folder = Path(results_dir, FOLDER)
    night = json.loads((folder / "night.json").read_text(encoding="utf-8"))
    shoots, tokens = [], {}
    for one in sorted(ids):
        known = json.loads((folder / f"{one}.shoot").read_text(encoding="utf-8"))
        tokens[one] = known.pop("tokens")
        shoots.append(Shoot(**known | {"folder": Path(known["folder"])}))
    return night["settings"], [tuple(layer) for layer in night["layers"]], shoots, tokens
