"""What a run leaves in SLURM's queue if it is killed: found again by the jobs' name, and ended before the next one."""

import hashlib
import os
import subprocess
import time
from pathlib import Path

from _bootstrap import stop

TRACE = ".kerbwalk/on-slurm"  # in the results folder, from the start of a run on SLURM to its end
WAIT = 60  # seconds that SLURM may take to end jobs


def job_name(results: Path) -> str:
    """How the names of this results folder's jobs begin."""
    return "kerbwalk-" + hashlib.blake2b(os.fsencode(results), digest_size=6).hexdigest()


def end_leftovers(results: Path) -> None:
    """End the jobs of an earlier run in this folder, so that nothing is written by two at once."""
    trace = results / TRACE
    if not trace.exists():
        return
    deadline = time.monotonic() + WAIT
    while jobs := _jobs(job_name(results)):
        if time.monotonic() > deadline:
            stop(f"job {jobs[0]} of an earlier run in {results} does not end: end it (scancel) and run again.")
        _call("scancel", *jobs)
        time.sleep(0.5)
    trace.unlink()


def _jobs(name: str) -> list[str]:
    lines = _call("squeue", "--me", "--noheader", "--format=%i %j").splitlines()
    return [line.split()[0] for line in lines if line.split()[1].startswith(name)]


def _call(*command: str) -> str:
    try:
        return subprocess.run(command, check=True, capture_output=True, text=True, timeout=WAIT).stdout
    except (OSError, subprocess.SubprocessError) as error:
        said = getattr(error, "stderr", None) or str(error)
        stop(
            f"jobs of an earlier run may still be in SLURM's queue, and SLURM cannot be asked ({said.strip()}): "
            "run again where and when it can."
        )
