"""The pictures of finished clips, decoded by PyAV (an FFmpeg of another build than the one that made them)."""

import av
import numpy as np
import pytest


@pytest.fixture(scope="session")
def planes():
    """A function: the frames of a video file as integer arrays (Y', Cb, Cr), as they are coded."""

    def decode(path):
        with av.open(str(path)) as container:
            for frame in container.decode(video=0):
                kind = np.uint16 if "10le" in frame.format.name else np.uint8
                yield [np.frombuffer(p, kind).reshape(p.height, -1)[:, : p.width] for p in frame.planes]

    return decode
