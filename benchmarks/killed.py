#!/usr/bin/env python3
"""Kill runs at random moments, with SIGKILL, and start them again: no clip may be lost, or have other frames.

usage: python benchmarks/killed.py OUT [--times 200] [--seed 1]

Makes a small demo shoot in OUT and runs it undisturbed. Then runs are started over and over, and each is killed with
all its processes somewhere within the time that a whole one takes; one that is quicker has its clip compared, and its
results are thrown away. Prints kills, finished clips, and wrong ones; exit status 1 for the last.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SHOOT = "tram-square"


def start(out, results):
    """A run as a process group of its own."""
    places = [f"shoots={out / 'shoots'}", f"results={out / results}"]
    command = [sys.executable, ROOT / "scripts" / "run", "--cores", "2", "--config", *places, "frames_per_job=2"]
    with (out / "log.txt").open("wb") as log:
        return subprocess.Popen(list(map(str, command)), stdout=log, stderr=log, start_new_session=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, metavar="OUT")
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    out, chance = options.out.resolve(), random.Random(options.seed)
    demo = [sys.executable, ROOT / "scripts" / "demo", out, "--only", SHOOT, "--frames", "6", "--size", "600x400"]
    subprocess.run(demo, check=True)
    begun = time.monotonic()
    if start(out, "undisturbed").wait():
        sys.exit(f"killed: the undisturbed run failed; {out / 'log.txt'} says why")
    whole = time.monotonic() - begun
    right = hashes(out, "undisturbed")
    kills = clips = wrong = 0
    while kills < options.times or not clips:
        process = start(out, "killed")
        try:
            # The last ones are let run to their end.
            status = process.wait(chance.uniform(0, whole) if kills < options.times else None)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            kills += 1
            continue
        clips += 1
        wrong += status != 0 or hashes(out, "killed") != right
        shutil.rmtree(out / "killed")
    print(f"{kills} kills, {clips} finished clips, {wrong} lost or wrong")
    return int(wrong > 0)


def hashes(out, results):
    return (out / results / SHOOT / "master.framemd5").read_bytes()


if __name__ == "__main__":
    sys.exit(main())
