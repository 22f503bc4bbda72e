"""Clears up after a cluster of the tests, however they end.

usage: keeper.py FOLDER

Waits until its standard input ends, which it also does when whoever holds the other end is killed. Then every process
that was started with the folder's name in its command or its variables (daemons, jobs, runs) is ended, and the folder
removed, as are the kernel's groups of the node of that name.
"""

import contextlib
import os
import shutil
import signal
import sys
import time
from pathlib import Path


def processes(*marks):
    """The numbers of the other processes that have all these marks in their command or their variables."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            known = (process / "cmdline").read_bytes() + (process / "environ").read_bytes()
            if all(mark in known for mark in marks):
                found.append(int(process.name))
    return [number for number in found if number != os.getpid()]


def send(what, numbers):
    """Send a signal to processes of which some may have ended."""
    for number in numbers:
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, what)


def main():
    os.setsid()  # out of reach of what ends the tests
    sys.stdin.buffer.read()
    while left := processes(os.fsencode(sys.argv[1])):
        send(signal.SIGKILL, left)
        time.sleep(0.05)
    for root in Path("/sys/fs/cgroup").glob(f"*/slurm_{Path(sys.argv[1]).name}"):
        for group, _, _ in os.walk(root, topdown=False):
            with contextlib.suppress(OSError):  # of one that ends only now
                os.rmdir(group)
    shutil.rmtree(sys.argv[1])


if __name__ == "__main__":
    main()
