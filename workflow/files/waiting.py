"""Pictures that wait to be looked at again: the first in memory, all beyond on the disk, so that memory does not grow
with them."""

import os

import numpy as np

# Bytes that wait in memory.
ROOM = 60_000_000


class Waiting:
    """Arrays, to be asked for as often as wanted."""

    def __init__(self, file, room=ROOM):
        """file: where they wait for whom there is no room, open for reading and writing, and empty."""
        self._file, self._room, self._end = file, room, 0

    def put(self, array):
        """A function that gives the array; not to be called by several threads."""
        if array.nbytes <= self._room:
            self._room -= array.nbytes
            return lambda: array
        start, self._end = self._end, self._end + array.nbytes
        shape, dtype = array.shape, array.dtype
        self._file.write(np.ascontiguousarray(array))
        self._file.flush()

        def read():
            found = np.empty(shape, dtype)
            os.preadv(self._file.fileno(), [found], start)
            return found

        return read
