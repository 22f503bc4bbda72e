"""What the walk takes: room on the card, batteries, and the computer's time and disk in the night after it."""

import math
from dataclasses import dataclass

# A losslessly compressed raw file has about 10 bits a pixel (common practice, no source).
MEGABYTES_PER_MEGAPIXEL = 1.25
# CIPA DC-002 counts a battery's shots at one every 30 s with the monitor on, so that its number is also a time
# (from memory). A long exposure keeps the sensor and the monitor at work, as that test does.
SECONDS_PER_RATED_SHOT = 30
# In the cold a lithium-ion battery gives about this part (common practice, no source).
COLD_PART = 0.7
# Where nothing was measured on this machine: 120 photos of 6 megapixels, from benchmarks/README.md, processor seconds.
ESTIMATE_PER_PHOTO = 81 / 120
ESTIMATE_PER_MEGAPIXEL = 23 / 120 / 6
# Jobs wait for each other now and then: 61 s on 2 cores for 104 processor seconds (benchmarks/README.md).
IDLE = 1.17
# What stays on the disk for each photo: decoded frame and proxies (40 MB, DEVELOPERS.md), and its parts of the clips.
DISK_MEGABYTES_PER_PHOTO = 50


@dataclass(frozen=True)
class Measured:
    """Earlier runs on this machine, summed.

    megapixels: of all photos; reading: processor seconds of the stages that read raw files; others: those of the other
    stages; disk: bytes that the results take.
    """

    photos: int
    megapixels: float
    reading: float
    others: float
    disk: int


def raw_megabytes(megapixels):
    """MB (a million bytes) of one raw file, see MEGABYTES_PER_MEGAPIXEL."""
    return MEGABYTES_PER_MEGAPIXEL * megapixels


def shots_on(card, megabytes):
    """Photos that a card of so many GB (makers' thousand million bytes) holds; a fiftieth is the file system's."""
    return math.floor(card * 1000 * 0.98 / megabytes)


def batteries(minutes, rated_shots):
    """How many charged batteries the walk takes in the cold, a number with fractions, see the module's constants."""
    return minutes * 60 / (rated_shots * SECONDS_PER_RATED_SHOT * COLD_PART)


def night_seconds(photos, megapixels, cores, measured=None):
    """Seconds that the night's run of this walk takes on so many cores.

    megapixels: of a photo. measured: Measured, or None for the estimate.
    """
    per_photo, per_megapixel = ESTIMATE_PER_PHOTO, ESTIMATE_PER_MEGAPIXEL
    if measured:
        per_photo, per_megapixel = measured.others / measured.photos, measured.reading / measured.megapixels
    return photos * (per_photo + per_megapixel * megapixels) / cores * IDLE


def night_megabytes(photos, measured=None):
    """MB that the results take on the disk; raw files not counted."""
    return photos * (measured.disk / measured.photos / 1e6 if measured else DISK_MEGABYTES_PER_PHOTO)
