"""The small pictures that decode leaves for the analyses, found by the photo's name."""

import math
import struct
import zipfile

import numpy as np

from files import stage


def write(path, names, pictures, scale, white):
    """Write a chunk's proxies, whole or not at all (format: scripts/decode.py).

    names: the photos'; pictures: what kerbwalk.proxies.proxies() makes of each one's frame; scale: photo pixels to a
    pixel of that frame; white: the frame's value at which the channel that is full first is full.
    """
    kinds = zip(*pictures, strict=True) if pictures else ((), (), (), (1,), (1,))
    grey, light, clipped, grey_factors, light_factors = kinds
    with stage.whole(path) as temporary, open(temporary, "wb") as file:
        np.savez(
            file,
            names=np.array(names, dtype=str),
            scale=scale,
            white=white,
            grey=np.array(grey, np.uint16),
            grey_scale=scale * grey_factors[0],
            light=np.array(light, np.float32),
            light_scale=scale * light_factors[0],
            clipped=np.array(clipped, bool),
        )


class Stack:
    """A stack of pictures in an uncompressed .npz file, as an array of which no more is read than is asked for.

    Read and not mapped: what is mapped counts as the process's own for as long as it lives.
    """

    def __init__(self, path, kind):
        self._path = path
        self._start, self.shape, self._dtype = _found(path, kind)

    def __len__(self):
        return self.shape[0]

    def __getitem__(self, place):
        """The picture of a number, or, of (number, slice), these rows of it."""
        number, rows = place if isinstance(place, tuple) else (place, slice(None))
        start, stop, _ = rows.indices(self.shape[1])
        width = math.prod(self.shape[2:])
        first = self._start + (number * self.shape[1] + start) * width * self._dtype.itemsize
        return np.fromfile(self._path, self._dtype, (stop - start) * width, offset=first).reshape(-1, *self.shape[2:])


class Proxies:
    """Proxies of a shoot, read one picture at a time from the chunks' files (format: scripts/decode.py)."""

    def __init__(self, paths):
        """paths: the shoot's proxies files, in any order."""
        self._where = {}
        self.scale = self.white = self.grey_scale = self.light_scale = self.light_shape = None
        for path in paths:
            with np.load(path) as chunk:
                names = [str(name) for name in chunk["names"]]
                if names:
                    self.scale, self.white = int(chunk["scale"]), float(chunk["white"])
                    self.grey_scale = int(chunk["grey_scale"])
                    self.light_scale = int(chunk["light_scale"])
                    self.light_shape = chunk["clipped"].shape[1:]
            self._where |= {name: (path, k) for k, name in enumerate(names)}
        self._stacks = {}

    def place(self, name):
        """The chunk's proxies file and the photo's place in the chunk, which its decoded frame shares."""
        return self._where[name]

    def grey(self, name):
        """uint16 (h, w), scene-linear grey for tracking."""
        return self._array("grey", name)

    def light(self, name):
        """float32 (h, w, 3) scene-linear camera RGB, and bool (h, w): where a pixel is clipped."""
        return self._array("light", name), self.clipped(name)

    def clipped(self, name):
        """bool (h, w): where a pixel of the light proxy is clipped."""
        return self._array("clipped", name)

    def _array(self, kind, name):
        path, k = self._where[name]
        if (path, kind) not in self._stacks:
            self._stacks[path, kind] = Stack(path, kind)
        return self._stacks[path, kind][k]


def _found(path, kind):
    """Where an array of an uncompressed .npz file starts, its shape and dtype: a picture is read without its
    neighbours.
    """
    with zipfile.ZipFile(path) as file, open(path, "rb") as raw:
        entry = file.getinfo(f"{kind}.npy")
        # The entry's own header has its length in the last of its 30 bytes: name and further fields (APPNOTE 4.3.7).
        raw.seek(entry.header_offset + 26)
        name, further = struct.unpack("<HH", raw.read(4))
        raw.seek(name + further, 1)
        np.lib.format.read_magic(raw)
        shape, _, dtype = np.lib.format.read_array_header_1_0(raw)
        return raw.tell(), shape, dtype
