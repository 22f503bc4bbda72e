"""A deliverable decoded again by FFmpeg, beside the pictures that went into its encoder."""

import json
import re
import tempfile
from pathlib import Path

import numpy as np

from files import encoders, ffmpeg
from kerbwalk import legal

# Small pictures for what stands out; VMAF is taken of every so many frames, levels of at most so many.
SMALL = (96, 54)
SMALLER = f"scale={SMALL[0]}:{SMALL[1]}:flags=area,format=gray"
EVERY, SAMPLES = 24, 6


def raw(recipe):
    """FFmpeg's input for the raw pictures that a recipe's encoder was fed with."""
    return [*ffmpeg.raw(recipe["size"], encoders.pixel_format(recipe)), "-i", "-"]


def measured(path, recipe, count, reference):
    """What differs between a deliverable and what went into its encoder.

    recipe: as resolved; count: frames that there should be; reference: (arguments of FFmpeg's input, the filters after
    it, and None or the raw pictures to feed it with).
    Returns a dict of what was found of each frame: psnr (dB, luma), ssim, small (uint8 (n, 2, h, w), the deliverable's
    and the reference's); and of each of those looked at: vmaf, and legal.levels().
    """
    pixels = encoders.pixel_format(recipe)
    # Frame by frame, whatever their time stamps. What is no Y'CbCr is compared as such.
    both = f"settb=1,setpts=N,format={pixels if pixels.startswith('yuv') else 'yuv444p'}"
    arguments, filtered, fed = reference
    # What keeps no repeated frames tells by its times how long each stands.
    timed = recipe["codec"] in ("webp", "gif")
    inputs = [*ffmpeg.source(path, *([] if timed else ["-r", recipe["rate"]])), *arguments]
    standing = f"fps={recipe['rate']}," if timed else ""
    known = f"{filtered},{both}" if filtered else both
    # An AVIF holds its first picture as a still of its own as well, before the moving ones.
    moving = 1 if recipe["codec"] == "avif" and count > 1 else 0
    every, share = min(EVERY, max(1, count // 3)), max(1, -(-count // SAMPLES))
    # FFmpeg lets pictures of all outputs queue up for one whose time stands still: so it is that of its next picture.
    ahead = f"setpts=PTS+{share}"
    graph = (
        f"[0:v:{moving}]{standing}{both},split=5[d1][d2][d3][d4][d5];[1:v]{known},split=4[r1][r2][r3][r4];"
        "[d1][r1]psnr=stats_file=psnr.txt[n1];[d2][r2]ssim=stats_file=ssim.txt[n2];"
        f"[d3][r3]libvmaf=n_threads=1:n_subsample={every}:log_fmt=json:log_path=vmaf.json[n3];"
        f"[d4]{SMALLER}[s1];[r4]{SMALLER}[s2];[s1][s2]vstack[small];[d5]select='not(mod(n,{share}))',{ahead}[some]"
    )
    compared = [part for name in ("n1", "n2", "n3") for part in ("-map", f"[{name}]", "-f", "null", "-")]
    each = ["-fps_mode", "passthrough", "-f", "rawvideo"]
    with tempfile.TemporaryDirectory(prefix="kerbwalk-") as folder:
        outputs = ["-map", "[some]", *each, "some.yuv", *compared, "-map", "[small]", *each, "pipe:1"]
        said = ffmpeg.piped([*inputs, "-filter_complex", graph, *outputs], folder, fed)
        texts = {name: Path(folder, name).read_text(encoding="utf-8") for name in ("psnr.txt", "ssim.txt", "vmaf.json")}
        looked_at = [] if recipe["colour"] == "srgb" else _levels(Path(folder, "some.yuv"), recipe)
    return {
        "psnr": _numbers(r"psnr_y:(\S+)", texts["psnr.txt"]),
        "ssim": _numbers(r"All:(\S+)", texts["ssim.txt"]),
        "vmaf": [frame["metrics"]["vmaf"] for frame in json.loads(texts["vmaf.json"])["frames"]],
        "small": np.frombuffer(said, np.uint8).reshape(-1, 2, SMALL[1], SMALL[0]),
        **{key: [one[key] for one in looked_at] for key in ("illegal", "at_white", "at_black")},
    }


def psnr(path, other):
    """PSNR of each frame of a video against another's of the same size, over all components: dB, inf where equal."""
    both = "".join(f"[{k}:v]settb=1,setpts=N[v{k}];" for k in (0, 1))
    graph = f"{both}[v0][v1]psnr=stats_file=psnr.txt"
    inputs = [*ffmpeg.source(path), *ffmpeg.source(other)]
    with tempfile.TemporaryDirectory(prefix="kerbwalk-") as folder:
        ffmpeg.piped([*inputs, "-lavfi", graph, "-f", "null", "-"], folder)
        return _numbers(r"psnr_avg:(\S+)", Path(folder, "psnr.txt").read_text(encoding="utf-8"))


def _numbers(pattern, text):
    return [float(number) for number in re.findall(pattern, text)]


def _levels(path, recipe):
    """kerbwalk.legal.levels of each of the raw pictures in a file."""
    with open(path, "rb") as file:
        pictures = iter(lambda: file.read(encoders.raw_bytes(recipe)), b"")
        weights = encoders.LUMA[recipe["colour"]]
        return [legal.levels(*encoders.planes(recipe, picture), recipe["depth"], weights) for picture in pictures]
