"""What one decoding of the finished clip tells."""

import tempfile
from collections.abc import Sequence

import cv2
import numpy as np

from files import ffmpeg
from files.stage import StageError
from files.waiting import Waiting
from kerbwalk import report
from kerbwalk.colour import LUMA_BT709

# The clip is looked at this small, but for the hold point's surroundings and the frames that the page shows.
SMALL, PATCH, SHOWN = 640, 160, 1280
SCALED = "flags=area+accurate_rnd:in_color_matrix=bt709:in_range=tv"


class Asked(Sequence):
    """Pictures that are read when they are asked for. waiting: functions that give them."""

    def __init__(self, waiting):
        self._waiting = waiting

    def __len__(self):
        return len(self._waiting)

    def __getitem__(self, place):
        return self._waiting[place]()


def measure(clip, framing, warps):
    """Decode the clip once, and measure it.

    Returns a dict: frames (count); moves (n, 2) of the hold point about their mean, and seen (n,), where they
    can be believed; panned, whether the picture pans past it, when it is not measured; hold_rms and drift (None where
    fewer than half the frames show the point); these in 1080p pixels; level (n,), mean linear light; lasting (n,) and
    deviation (n,), that of what lasts and how far it is off its smooth curve; sure (n,), where that can be believed, as
    traffic does not light most of the picture; flicker, over these, and flicker_mean, per cent;
    pictures, the first, middle and last frame, and columns (h, n, 3), the column through the hold point of every frame,
    uint8.
    Raises StageError for a clip without frames.
    """
    output = framing["output"]
    width = min(SMALL, output[0])
    height = round(width * output[1] / output[0] / report.SQUARE) * report.SQUARE
    size = [min(PATCH, width), min(PATCH, height)]
    point = report.hold_in_output(warps["hold"], framing["crop"], output)
    left, top = report.patch_place(point, size, output)
    # Both beside each other in one picture: the small one, and the patch filled up to the same height.
    filters = (
        f"split[a][b];[a]scale={width}:{height}:{SCALED}[small];"
        f"[b]crop={size[0]}:{size[1]}:{left}:{top}:exact=1,pad={size[0]}:{height},scale={SCALED}[patch];"
        "[small][patch]hstack"
    )
    patches, level, lights, columns = [], [], [], []
    with tempfile.NamedTemporaryFile(suffix=".rgb") as shown, tempfile.TemporaryFile() as file:
        waiting = Waiting(file)
        further, shape = shown_frames(len(warps["frames"]), output)
        further = [*further, shown.name]
        for frame in ffmpeg.frames(clip, (width + size[0], height), "rgb48le", filters, further):
            small, patch = frame[:, :width], frame[: size[1], width:]
            luma = cv2.transform(np.float32(patch), np.float32([LUMA_BT709]))
            patches.append(waiting.put(report.banded(luma)))
            columns.append((small[:, int(point[0] / output[0] * width)] >> 8).astype(np.uint8))
            light = cv2.transform(report.linear_light(small), np.float32([LUMA_BT709]))
            level.append(light.mean(dtype=float))
            lights.append(waiting.put(light))
        if not patches:
            raise StageError(f"{clip}: holds no frames; delete it and start the same command again")
        pictures = list(np.fromfile(shown.name, np.uint8).reshape(-1, *shape))
        moves, likeness = report.movement(Asked(patches), (point[0] - left, point[1] - top))
        lasting, sure = report.lasting_levels(Asked(lights))
    deviation = report.deviation(lasting, sure)
    stands = framing["moves"] is None or not np.any(np.array(framing["moves"])[:, 1:])
    seen = (likeness >= report.LIKE) & stands
    hd = report.to_1080p(output)
    enough = seen.sum() >= max(2, len(patches) / 2)
    return {
        "frames": len(patches),
        "moves": hd * (moves - moves[seen].mean(axis=0) if seen.any() else moves),
        "seen": seen,
        "panned": not stands,
        "hold_rms": hd * report.rms(moves[seen]) if enough else None,
        "drift": hd * report.drift(moves, seen) if enough else None,
        "level": np.array(level),
        "lasting": lasting,
        "deviation": deviation,
        "sure": sure,
        "flicker": 100 * report.rms(deviation[sure]),
        "flicker_mean": 100 * report.rms(report.deviation(np.array(level))),
        "columns": np.stack(columns, 1),
        "pictures": [pictures[min(k, len(pictures) - 1)] for k in range(3)],
    }


def first_middle_last(count):
    """Places of the frames that the page shows."""
    return [0, count // 2, count - 1]


def shown_frames(count, output):
    """FFmpeg's arguments for an output of those frames, as raw RGB, and the shape of one."""
    width = min(SHOWN, output[0])
    height = round(width * output[1] / output[0])
    chosen = "+".join(f"eq(n\\,{k})" for k in sorted(set(first_middle_last(count))))
    filters = f"select={chosen},scale={width}:{height}:{SCALED}"
    return ["-vf", filters, "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", "rgb24"], (height, width, 3)
