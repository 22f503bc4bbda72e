#!/usr/bin/env python3
"""What many shoots cost before any job starts: the dry run, a run with nothing to do, the start of a job on a cluster.

usage: python3 benchmarks/thousand.py OUT [--shoots 10 1000] [--photos 120]

The shoots in OUT are names alone: empty photos, and, for the run with nothing to do, empty results. Snakemake is told
to take those of the first shoot as made (--touch); the others get copies of its records, which takes far less time.
Prints processor seconds, seconds by the clock, and the greatest memory of a process.
"""

import argparse
import base64
import json
import os
import resource
import shlex
import subprocess
import sys
import time
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
INGESTED = {"photos": [{"problem": None, "width": 6000, "height": 4000}]}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--shoots", type=int, nargs="+", default=[10, 1000])
    parser.add_argument("--photos", type=int, default=120)
    options = parser.parse_args()
    print("| shoots | what | processor s | s | MB |\n| ---: | --- | ---: | ---: | ---: |")
    for count in options.shoots:
        shoots, results = options.out / str(count) / "shoots", options.out / str(count) / "results"
        make_shoots(shoots, count, options.photos)
        run = [str(REPO / "scripts" / "run"), "--config", f"shoots={shoots}", f"results={results}"]
        tell(count, "dry run, everything to do", [*run, "-n"])
        names = sorted(shoot.name for shoot in shoots.iterdir())
        make_results(results, names, run)
        subprocess.run([*run, f"only={names[0]}", "--touch", "--forceall"], check=True, capture_output=True)
        copy_records(results / ".snakemake" / "metadata", names)
        # of the night's index alone
        subprocess.run([*run, "--touch"], check=True, capture_output=True)
        tell(count, "run, nothing to do", run)
        tell(count, "start of a job on a cluster, twice", job(results, f"walk {count // 2:04d}"))


def make_shoots(folder, count, photos):
    for k in range(count):
        shoot = folder / f"walk {k:04d}"
        if not shoot.exists():
            shoot.mkdir(parents=True)
            for n in range(photos):
                (shoot / f"IMG_{n:04d}.CR3").touch()
                # the same of all shoots, as Snakemake's records hold it
                os.utime(shoot / f"IMG_{n:04d}.CR3", (0, 0))


def make_results(results, names, run):
    """Empty results of every shoot: the files that Snakemake says it would make of the first."""
    now = time.time()
    only = subprocess.run([*run, f"only={names[0]}", "--summary"], check=True, capture_output=True, text=True)
    made = [line.partition("\t")[0] for line in only.stdout.splitlines() if line.startswith(f"{names[0]}/")]
    for name in names:
        for file in (results / path.replace(names[0], name) for path in made):
            file.parent.mkdir(parents=True, exist_ok=True)
            file.touch()
        (results / name / "work" / "ingest.json").write_text(json.dumps(INGESTED))
        (results / name / "audit.json").write_text('{"findings": []}')
        # of one moment, so that none is older than what it was made from
        for path in made:
            os.utime(results / path.replace(names[0], name), (now, now))
    (results / "index.html").touch()


def copy_records(folder, names):
    """Snakemake's records of the first shoot's results, as if they were the others': a file each, named by the path."""
    records = {base64.urlsafe_b64decode(file.name).decode(): file.read_text() for file in folder.iterdir()}
    for name in names[1:]:
        for path, text in records.items():
            if path.startswith(f"{names[0]}/"):
                own = base64.urlsafe_b64encode(path.replace(names[0], name).encode()).decode()
                (folder / own).write_text(text.replace(names[0], name))


def job(results, shoot):
    """The command of a job for one shoot as it starts on another machine (there in two processes), as a dry run."""
    env = os.environ.get("KERBWALK_ENV") or REPO / ".env" / "default"
    code = max((Path(env) / "code").iterdir(), key=lambda e: e.stat().st_mtime)
    command = [f"{env}/bin/python", "-m", "snakemake", "-n", "--snakefile", str(code / "Snakefile")]
    command += ["--directory", str(results), "--mode", "remote", "--force", "--nolock", "--cores", "2"]
    command += ["--target-jobs", f"framing:shoot={shoot}"]
    return ["bash", "-c", f"{shlex.join(command)} && {shlex.join(command)}"]


def tell(count, what, command):
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    done = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    said = done.communicate()[0]
    after, took = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic() - start
    if done.returncode:
        sys.exit(said[-3000:])
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    # The greatest of all so far, which is this one's as the commands grow.
    print(f"| {count} | {what} | {spent:.1f} | {took:.1f} | {after.ru_maxrss / 1024:.0f} |", flush=True)


if __name__ == "__main__":
    main()
