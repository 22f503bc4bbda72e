"""The peak memory of each stage's jobs while some command runs, such as ./scripts/run.

usage: python benchmarks/memory.py COMMAND ...

Prints a line a stage (deliver: a deliverable; compose: a picture): the greatest sum of the peaks (VmHWM) of a job's own
process and those that it started and that live at the same time, in MB, and the number of jobs. Looks at /proc twenty
times a second: only what a job takes in its last moment may be missed.
"""

import re
import subprocess
import sys
import time
from collections import defaultdict
from pathlib import Path

# The script, and what of the path behind --out tells a deliverable or a picture.
STAGE = re.compile(rb"/scripts/([a-z]+)\.py\0(?:.*\0--out\0[^\0]*(?:_([\w-]+\.\w+)|/(\d+x\d+[^/\0]*)/[^\0]*)\0)?")


def look(peaks, root, known):
    """Enter what runs now under the process `root` into peaks: {(stage, process of the job): MB}.

    known: what the look before gave. Returns the processes that run. Of those that it does not name none counts, as a
    process that is about to start another program still has its parent's memory.
    """
    parents, stages, own, now = {}, {}, {}, defaultdict(float)
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            command = (folder / "cmdline").read_bytes()
            status = (folder / "status").read_text()
        except OSError:  # it has ended
            continue
        peak = re.search(r"VmHWM:\s+(\d+) kB", status)
        if peak is None:
            continue
        pid = int(folder.name)
        parents[pid], own[pid] = int(re.search(r"PPid:\s+(\d+)", status)[1]), int(peak[1]) / 1024
        if (match := STAGE.search(command)) and b"python" in command.split(b"\0")[0]:
            stages[pid] = " ".join(part.decode() for part in match.groups() if part)
    for pid in own:
        line = [pid]
        while line[-1] in parents:
            line.append(parents[line[-1]])
        jobs = [p for p in line if p in stages]
        if jobs and root in line and pid in known:
            now[stages[jobs[-1]], jobs[-1]] += own[pid]
    for job, megabytes in now.items():
        peaks[job] = max(peaks[job], megabytes)
    return own.keys()


def main():
    peaks, known = defaultdict(float), set()
    process = subprocess.Popen(sys.argv[1:])
    while process.poll() is None:
        known = look(peaks, process.pid, known)
        time.sleep(0.05)
    by_stage = defaultdict(list)
    for (stage, _), megabytes in peaks.items():
        by_stage[stage].append(megabytes)
    for stage, jobs in sorted(by_stage.items()):
        print(f"{stage:24} {max(jobs):6.0f} MB  {len(jobs)} jobs")
    sys.exit(process.returncode)


if __name__ == "__main__":
    main()
