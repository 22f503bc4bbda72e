"""The working frames of a shoot: what takes the space, and can be made again."""

from pathlib import Path


def kept_frames(folder):
    """The files in a shoot's folder of results that hold decoded and composed frames; the master is none of them."""
    work = Path(folder, "work")
    patterns = ("decoded/*.npy", "composed/*.mkv", "composed/*.yuv", "*/composed/*.mkv")
    return sorted(file for pattern in patterns for file in work.glob(pattern))
