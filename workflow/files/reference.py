"""The reference photo, as the looks and the photographer see it."""

import numpy as np

from files import decoded, stage
from files.proxies import Proxies
from kerbwalk.compose import without_vignetting


def read(audit, lens, proxies, frames):
    """The reference photo as decoded, without the lens's vignetting, as in the clip; its distortion stays.

    audit, lens: paths of audit.json and lens.json; proxies, frames: paths of the shoot's chunks, in one order. Returns
    (its name, float32 (h, w, 3), 1 at its white).
    """
    name, chunks = stage.read_json(audit)["reference"], Proxies(proxies)
    path, place = chunks.place(name)
    files = dict(zip(proxies, frames, strict=True))
    frame = decoded.read(files[path], place) / np.float32(chunks.white)
    without_vignetting(frame, stage.read_json(lens), chunks.scale, chunks.white)
    return name, frame
