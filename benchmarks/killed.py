#!/usr/bin/env python3
"""Kill runs and processes of runs at random moments, with SIGKILL: no clip may be lost, or have other frames.

usage: python3 benchmarks/killed.py OUT [--times 200] [--seed 1]

Makes a small demo shoot in OUT and runs it undisturbed. Then runs are started over and over. In each, at random
moments, SIGKILL hits one of its processes (Snakemake, a job, an encoder, the one that started it all), or all of them
at once. What is left is started again, until the clip is there: its frames are compared, and its results thrown away.

A job is done in vain if Snakemake had noted its end when a run was started, and notes another later: only what was
under way at a kill, a job a core at most, may be done again. A job is under way until that note, which is written some
milliseconds after its own end. Prints kills, clips, and what was lost, wrong or made in vain; exit status 1 for any of
these.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SHOOT = "tram-square"
CORES = 2
# The share of kills that hit all of a run, and the share of a whole run that lies between two kills, on average.
ALL, BETWEEN = 0.3, 0.25


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, metavar="OUT")
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    out, chance = options.out.resolve(), random.Random(options.seed)
    demo = [sys.executable, ROOT / "scripts" / "demo", out, "--only", SHOOT, "--frames", "4", "--size", "360x240"]
    subprocess.run(demo, check=True)
    begun = time.monotonic()
    if start(out, "undisturbed").wait():
        sys.exit(f"killed: the undisturbed run failed; {out / 'log.txt'} says why")
    whole = time.monotonic() - begun
    right = frames(out / "undisturbed")
    kills, clips, wrong, vain = Counter(), 0, 0, 0
    results = out / "killed"
    while kills.total() < options.times or not clips:
        process, hit, known = start(out, "killed"), Counter(), ended(results)
        while process.poll() is None:
            try:
                # The last run is let go to its end.
                process.wait(chance.expovariate(1 / (BETWEEN * whole)) if kills.total() < options.times else None)
            except subprocess.TimeoutExpired:
                hit[kill(process, chance)] += 1
        kills += hit
        now = ended(results)
        vain += sum(now.get(output) != when for output, when in known.items())
        if process.returncode == 0:
            clips += 1
            wrong += frames(results) != right
            print(f"{kills.total()} kills, {clips} clips, {wrong} wrong, {vain} outputs made in vain", flush=True)
            shutil.rmtree(results)
        elif not hit:
            sys.exit(f"killed: a run failed that nothing befell; {out / 'log.txt'} says why")
    told = ", ".join(f"{name} {count}" for name, count in kills.most_common())
    print(f"{kills.total()} kills ({told}), {clips} finished clips, {wrong} lost or wrong, {vain} outputs made in vain")
    return int(wrong > 0 or vain > 0)


def start(out, results):
    """A run as a session of its own."""
    places = [f"shoots={out / 'shoots'}", f"results={out / results}"]
    command = [sys.executable, ROOT / "scripts" / "run", "--cores", CORES, "--config", *places, "frames_per_job=2"]
    with (out / "log.txt").open("wb") as log:
        return subprocess.Popen(list(map(str, command)), stdout=log, stderr=log, start_new_session=True)


def kill(process, chance):
    """SIGKILL for all processes of a run, or for one of them by lot; the name of what it hit."""
    if chance.random() < ALL:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return "all"
    pid = chance.choice(sorted(members(process.pid)) or [process.pid])
    try:
        name = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
        os.kill(pid, signal.SIGKILL)
    except (FileNotFoundError, ProcessLookupError):
        return "one that had ended"
    if pid == process.pid:
        process.wait()
    return called(name)


def members(session):
    """The processes of a session."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        # After the name: state, parent, group, session (proc(5)).
        if fields[0] != "Z" and int(fields[3]) == session:
            yield int(stat.parent.name)


def called(command):
    """What a process is, by its command line."""
    words = [Path(os.fsdecode(word)).name for word in command if word]
    if "_launch.py" in words:
        return "starter"
    if "snakemake" in words:
        return "Snakemake"
    if words and words[0] == "bash":
        return "shell"
    return "stage" if words and words[0].startswith("python") else "encoder"


def ended(results):
    """{output: when its job's end was noted} of the jobs whose end was; those at work have a mark of the same name."""
    notes, marks = (results / ".snakemake" / kind for kind in ("metadata", "incomplete"))
    found = {file.relative_to(notes): file.stat().st_mtime_ns for file in notes.rglob("*") if file.is_file()}
    return {output: when for output, when in found.items() if not (marks / output).exists()}


def frames(results):
    return (results / SHOOT / "master.framemd5").read_bytes()


if __name__ == "__main__":
    sys.exit(main())
