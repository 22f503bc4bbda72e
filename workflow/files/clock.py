"""Results with a time stamp that is still to come, as a clock leaves them that runs ahead and is then set right.

Snakemake goes by time stamps: what was made from such a file is older than it, and so made again at every run, or taken
for a failure; and such a file itself looks newer than what it should be made anew from.
"""

import contextlib
import os
import stat
import tempfile


def now_in(folder):
    """The time by the clock of the disk that a folder lies on, which a file server has of its own; in nanoseconds."""
    with tempfile.TemporaryFile(dir=folder) as probe:
        return os.fstat(probe.fileno()).st_mtime_ns


def put_right(paths, now, to):
    """Give those of the files that have a later time stamp than `now` the stamp `to`; links are left alone.

    Both in nanoseconds. Returns the paths of those files. What is no file, or may not be changed, is passed over.
    """
    changed = []
    for path in paths:
        with contextlib.suppress(OSError):
            found = os.lstat(path)
            if stat.S_ISREG(found.st_mode) and found.st_mtime_ns > now:
                os.utime(path, ns=(to, to))
                changed.append(path)
    return changed


def results_in(folder):
    """Paths of all files in a shoot's results; photos in an archive are none, whose time stamps are the camera's."""
    for place, folders, names in os.walk(folder):
        if os.path.basename(place) == "archive":
            folders.clear()
        yield from (os.path.join(place, name) for name in names)
