#!/usr/bin/env python3
"""Measure motion and light of demo shoots by their truth.

usage: python benchmarks/figures.py OUT [--only NAME ...] [--cores 2]

OUT holds the shoots (made the first time, which takes longest) and the results: after a change of the code only what
depends on it is made again. Prints a line a shoot, in pixels of a clip 1920 wide, light in per cent:

    hold      the hold point about its mean: RMS, worst frame, drift
    tracks    second difference of the truth's points, the median over them: median over the frames, 95 %
    near      the same of all surfaces within ten metres; part: of what the best homography a frame leaves there
    edges     off straight: worst, 99 %
    crop      part that is kept of the largest crop of its aspect; distortion value
    light     error of the gains: RMS, worst photo

and a line of their geometric means.
"""

import argparse
import csv
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import yaml

REPO = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(REPO), str(REPO / "workflow")]

from benchmarks import measure  # noqa: E402 - found by the line above
from demo.shoots import ShootSpec, make, surfaces  # noqa: E402

PLACES, WALKS, SIZE = ("square", "stairs", "mill"), ("approach", "sidestep", "arc"), (1800, 1200)
LOOSE = {"aim_sigma_deg": 0.6, "roll_sigma_deg": 0.5, "frames": 40}
SPECS = [
    ShootSpec(f"{place}-{walk}", SIZE, frames=60, seed=100 + 3 * i + k, place=place, walk=walk)
    for i, place in enumerate(PLACES)
    for k, walk in enumerate(WALKS)
] + [
    ShootSpec("loose-square", SIZE, seed=121, place="square", walk="sidestep", **LOOSE),
    ShootSpec("loose-stairs", SIZE, seed=122, place="stairs", walk="approach", **LOOSE),
    ShootSpec("long-square", SIZE, frames=120, seed=123, walk="arc"),
]
NEAR, EVERY, APART = 10.0, 8, 24  # metres; photos whose near surfaces are looked at, pixels between their points
HEAD = (
    "hold", "worst", "drift", "tracks", "95 %", "near", "95 %", "part", "95 %", "edges", "99 %", "crop", "alike",
    "light", "worst",
)  # fmt: skip


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, metavar="OUT")
    parser.add_argument("--only", nargs="+", metavar="NAME", choices=[spec.name for spec in SPECS])
    parser.add_argument("--cores", type=int, default=2)
    options = parser.parse_args()
    specs = [spec for spec in SPECS if spec.name in (options.only or spec.name)]
    truths = [make(options.out, spec, options.cores) for spec in specs]
    for truth in truths:
        own = {"hold": truth["hold_fraction"], "reference": truth["reference"]}
        settings = options.out / "shoots" / truth["name"] / "shoot.yaml"
        if not settings.exists():
            settings.write_text(yaml.safe_dump(own))
    run(options, [f"{spec.name}/work/{name}" for spec in specs for name in ("gains.csv", "framing.json")])
    lines = [
        measured(spec, truth, options.out / "results" / spec.name / "work")
        for spec, truth in zip(specs, truths, strict=True)
    ]
    width = max(len(spec.name) for spec in specs)
    print(" " * width + "".join(f"{head:>7}" for head in HEAD))
    for truth, line in zip(truths, lines, strict=True):
        print(f"{truth['name']:{width}}" + "".join(f"{value:7.3f}" for value in line))
    print(f"{'mean':{width}}" + "".join(f"{value:7.3f}" for value in np.exp(np.nanmean(np.log(lines), axis=0))))


def run(options, files):
    """Make these of the results' files, and what they need."""
    places = [f"shoots={options.out.resolve() / 'shoots'}", f"results={options.out.resolve() / 'results'}"]
    command = [sys.executable, REPO / "scripts" / "run", "--cores", options.cores, *files, "--config", *places]
    log = options.out / "log.txt"
    with log.open("wb") as file:
        done = subprocess.run(list(map(str, command)), stdout=file, stderr=subprocess.STDOUT, check=False)
    if done.returncode:
        raise SystemExit(f"figures: the run failed; {log} says why")


def measured(spec, truth, work):
    """One number for each of HEAD."""
    warps, framing = (json.loads((work / f"{name}.json").read_text(encoding="utf-8")) for name in ("warps", "framing"))
    with (work / "gains.csv").open(newline="", encoding="utf-8") as file:
        _, error, _ = measure.light(truth, warps, list(csv.DictReader(file)))
    error *= 100
    places, frames = measure.hold(truth, warps, framing)
    off = np.hypot(*(places - places.mean(axis=0)).T)
    near = np.concatenate([surfaces(spec, k, APART, NEAR) for k in range(0, spec.frames, EVERY)])
    away = measure.depths(truth, warps, near)[..., None] > NEAR
    left, most = (
        measure.unevenness(np.where(away, np.nan, tracks(truth, warps, framing, near)))
        for tracks in (measure.tracks, measure.homographies)
    )
    bends = measure.bends(truth, warps, framing)
    return (
        *(measure.rms(places), off.max(), measure.drift(places, frames)),
        *measure.unevenness(measure.tracks(truth, warps, framing, measure.lasting_points(truth))),
        *left,
        *np.divide(left, most),
        *(np.nanmax(bends), np.nanpercentile(bends, 99)),
        *(framing["of_aspect"], measure.distortion(warps)),
        *(np.sqrt(np.square(error).mean()), np.abs(error).max()),
    )


if __name__ == "__main__":
    main()
