"""What a job asks of a scheduler: memory, minutes and disk, as functions of the photos' size and number.

Measured by benchmarks/memory.py on demo shoots of 0.24, 6 and 24 megapixels (benchmarks/README.md), rounded up.
A job that is killed for memory or time is tried again with more of both.
"""

import json
import math
from pathlib import Path

# Beside the stage, two processes of Snakemake are part of a job on a cluster, and a shell.
SNAKEMAKE_MB = 270
MORE = 0.6  # of the first request, at each further attempt
# MB that a stage takes: always, for each megapixel of a photo, for each photo.
MEMORY = {
    "ingest": (340, 10.5, 0),
    "archive": (150, 0, 0),
    "audit": (225, 0, 0.25),
    "backup": (80, 0, 0),
    "verify": (80, 3, 0),
    "hot": (250, 36, 0),
    "decode": (475, 13.5, 0),
    "lens": (50, 0, 0),
    "look": (150, 0, 0),
    "draft": (765, 1.5, 0.3),
    "match": (1100, 0, 0),
    "contact": (1100, 0, 0),
    "reference": (1100, 0, 0),
    "follow": (170, 5, 0.1),
    "track": (150, 5, 0.1),
    "steady": (290, 0, 0.1),
    "light": (160, 0, 0.27),
    "framing": (150, 0, 0.06),
    "retime": (50, 0, 0),
    "compose": (440, 0, 0),
    "master": (90, 0, 0),
    "deliver": (147, 0, 0),
    "report": (360, 0, 0.1),
}
# MB for each megapixel of what is made: of the picture that is composed or joined, or of a deliverable by its codec,
# judging it included.
MADE = {"compose": 172, "master": 22, "h264": 200, "hevc": 230, "prores": 290, "jpeg": 60}
OTHERWISE = 340
# Minutes that a stage is given: always, for each hundred photos, for each hundred photos and megapixel. About four
# times what it takes, as nodes differ and storage is shared.
MINUTES = {
    "ingest": (3, 5, 0.3),
    "archive": (10, 5, 1),
    "audit": (3, 3, 0),
    "backup": (3, 5, 0.5),
    "verify": (3, 5, 0.5),
    "hot": (5, 5, 0.3),
    "decode": (5, 10, 3),
    "lens": (5, 0, 0),
    "look": (5, 0, 0),
    "draft": (5, 10, 0.3),
    "match": (10, 0, 0),
    "contact": (10, 0, 0),
    "reference": (5, 0, 0),
    "follow": (5, 15, 0.3),
    "track": (5, 10, 0.3),
    "steady": (5, 15, 0),
    "light": (5, 10, 0),
    "framing": (5, 0, 0),
    "retime": (5, 0, 0),
    "compose": (5, 60, 0),
    "master": (5, 5, 0),
    "deliver": (15, 40, 0),
    "report": (5, 15, 0),
}
# Bytes a pixel where only the file's size is known, by its ending; other formats are compressed, to no less than this.
BYTES_A_PIXEL = {".dng": 2, ".tif": 6, ".tiff": 6}
COMPRESSED = 1
# Bytes a pixel of composed frames: FFV1 in 10 bits of very noisy photos, and of half floats; raw 4:2:0 beside them.
COMPOSED = {False: 1.5, True: 4.5}
READY = 1.5


def memory_mb(stage, megapixels, count, attempt=1, made=None):
    """MB to ask for: of a stage, for photos of so many megapixels, so many of them in the shoot.

    made: of a stage that makes pictures, (compose, master, or the codec, [width, height]).
    """
    fixed, each_megapixel, each_photo = MEMORY[stage]
    needed = SNAKEMAKE_MB + fixed + each_megapixel * megapixels + each_photo * count
    if made:
        kind, (width, height) = made
        needed += MADE.get(kind, OTHERWISE) * width * height / 1e6
    return int(needed * (1 + MORE * (attempt - 1)))


def minutes(stage, megapixels, count, attempt=1):
    """Minutes to ask for; count: of the photos that the job reads."""
    fixed, hundred, hundred_megapixels = MINUTES[stage]
    needed = fixed + count / 100 * (hundred + hundred_megapixels * megapixels)
    return int(needed * (1 + MORE * (attempt - 1)))


def decoded_mb(size, count, boxes):
    """MB of so many decoded frames, six bytes a pixel. size: of a photo; boxes: as decoding has them."""
    from kerbwalk.decode import scale  # NumPy, without which a start is quicker

    side = scale(*size, boxes)
    return int(count * size[0] * size[1] / side**2 * 6e-6) + 1


def composed_mb(size, count, shows, ready):
    """MB of so many composed frames. shows: bt709 or another display; ready: with the pictures for hd beside them."""
    each = COMPOSED[shows == "linear"] + (READY if ready else 0)
    return int(count * size[0] * size[1] * each * 1e-6) + 1


def photo_size(ingest, photo):
    """(width, height) of the photos: as ingest found them, or, before that, by the size of one's file. Two paths."""
    try:
        photos = json.loads(Path(ingest).read_text(encoding="utf-8"))["photos"]
        return max(((p["width"], p["height"]) for p in photos if not p["problem"]), key=math.prod)
    except (FileNotFoundError, ValueError):  # not there yet, or of photos that can none be read
        pixels = Path(photo).stat().st_size / BYTES_A_PIXEL.get(Path(photo).suffix.lower(), COMPRESSED)
        return 1.5 * math.sqrt(pixels / 1.5), math.sqrt(pixels / 1.5)
