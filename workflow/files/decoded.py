"""Decoded frames: a .npy file for each chunk, written and read a frame at a time (format: scripts/decode.py).

Past the system's memory for files, where it can (Linux from 6.14 on): a shoot's frames fill many gigabytes, each is
written once and read much later, and to find and clear as much memory takes longer than to decode the frame.
"""

import contextlib
import errno
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from files import stage

# RWF_DONTCACHE of Linux's uapi/linux/fs.h, which Python has no name for.
UNCACHED = 0x80


@contextlib.contextmanager
def writer(path, shape):
    """A function that appends a frame to a chunk's file, which is there once all are, or not at all.

    shape: (frames, height, width, 3). A frame goes to the disk while the next one is made. Written, not mapped: a full
    disk is then an error that can be told, and not a signal.
    """
    described = {"descr": np.dtype(np.uint16).str, "fortran_order": False, "shape": shape}
    with stage.whole(path) as temporary, open(temporary, "wb", buffering=0) as file, ThreadPoolExecutor(1) as syncing:
        np.lib.format.write_array_header_1_0(file, described)
        synced = []

        def write(frame):
            while synced:
                synced.pop().result()
            _transfer(os.pwritev, file.fileno(), frame, file.seek(0, os.SEEK_END))
            synced.append(syncing.submit(os.fsync, file.fileno()))

        yield write
        for last in synced:
            last.result()


def read(path, place):
    """The frame at a place of a chunk's file: uint16 (height, width, 3)."""
    with open(path, "rb") as file:
        np.lib.format.read_magic(file)
        shape, _, dtype = np.lib.format.read_array_header_1_0(file)
        frame = np.empty(shape[1:], dtype)
        _transfer(os.preadv, file.fileno(), frame, file.tell() + place * frame.nbytes)
    return frame


class Frames:
    """The frames of a shoot by their photos' names, of which one may be read while something else is done."""

    def __init__(self, where, ahead):
        """where: a function of a name that gives read()'s path and place; ahead: the names that read_on() reads."""
        self._where, self._ahead = where, iter(ahead)
        self._reading, self._next, self._coming = ThreadPoolExecutor(1), None, None

    def __getitem__(self, name):
        if name != self._next:
            return read(*self._where(name))
        self._next, frame, self._coming = None, self._coming.result(), None
        return frame

    def read_on(self):
        """Begin to read the next one, unless one waits to be asked for. Best when no other frame is held any more."""
        if self._next is None and (name := next(self._ahead, None)) is not None:
            self._next, self._coming = name, self._reading.submit(read, *self._where(name))


def _transfer(call, handle, frame, at):
    """Write or read all of a frame at a place of a file. call: os.pwritev or os.preadv."""
    rest, flags = memoryview(frame).cast("B"), UNCACHED
    while rest:
        try:
            done = call(handle, [rest], at, flags)
        except OSError as error:
            if error.errno != errno.EOPNOTSUPP:
                raise
            # An older system, or a disk whose files are always kept.
            done, flags = call(handle, [rest], at), 0
        if not done:
            raise OSError(errno.EIO, "a file of decoded frames ends too early")
        rest, at = rest[done:], at + done
