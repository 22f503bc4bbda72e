"""FFmpeg as a subprocess: the commands that end, and pipes of raw frames in and out."""

import contextlib
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import imageio_ffmpeg
import numpy as np

from files.stage import StageError


def tags(matrix, primaries, transfer, extent):
    """The tags that every file carries in stream and container."""
    named = {"colorspace": matrix, "color_primaries": primaries, "color_trc": transfer, "color_range": extent}
    return [part for name, value in named.items() for part in (f"-{name}", value)]


# By what a picture is.
TAGS = {
    "bt709": tags("bt709", "bt709", "bt709", "tv"),
    "srgb": tags("bt709", "bt709", "iec61966-2-1", "pc"),
    "pq": tags("bt2020nc", "bt2020", "smpte2084", "tv"),
    "hlg": tags("bt2020nc", "bt2020", "arib-std-b67", "tv"),
    "linear": tags("rgb", "bt2020", "linear", "pc"),
}
BT709_TAGS = TAGS["bt709"]
# No program versions or random identifiers in the files: the same frames make the same bytes.
REPEATABLE = ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact"]
# A small and quick H.264 that every browser plays; always two threads, so that the same pictures make the same file.
SMALL_H264 = ["-vf", "scale=out_color_matrix=bt709:out_range=tv,format=yuv420p,setsar=1", "-c:v", "libx264"]
SMALL_H264 += ["-preset", "veryfast", "-crf", "22", "-threads", "2", *BT709_TAGS, *REPEATABLE]
SMALL_H264 += ["-movflags", "+faststart", "-f", "mp4"]
MASTER_FORMAT = "yuv444p10le"
# A master of scene-linear light: the bits of half floats, which FFV1 keeps like any other numbers.
LINEAR_FORMAT = "gbrp16le"
# A second output beside a video: the MD5 of every frame that goes in.
FRAME_HASHES = ["-map", "0:v", "-c:v", "rawvideo", "-fflags", "+bitexact", "-f", "framemd5"]


def run(*arguments):
    """Run FFmpeg to its end. Raises StageError with its last line where it fails."""
    done = subprocess.run(_command(arguments), stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    if done.returncode:
        _fail(done.stderr)


def raw(size, pixel_format, colour="bt709"):
    """The arguments for raw pictures on the standard input.

    With their tags: pictures that say nothing would be taken for BT.601's. size: (width, height); pixel_format:
    FFmpeg's name of it; colour: a key of TAGS.
    """
    picture = ["-pixel_format", pixel_format, "-video_size", f"{size[0]}x{size[1]}"]
    return ["-f", "rawvideo", *picture, *TAGS[colour]]


def source(path, *options, threads=2):
    """The arguments for a video to be decoded, by always as many threads, as each holds pictures of its own."""
    return ["-threads", threads, *options, "-i", Path(path).resolve()]


@contextlib.contextmanager
def writer(size, pixel_format, rate, *arguments, colour="bt709", known=()):
    """A function that takes raw frames, as bytes or contiguous arrays, and feeds them to FFmpeg.

    size: (width, height); pixel_format: FFmpeg's name of it; rate: frames a second; arguments: what comes after the
    input; colour: a key of TAGS; known: what else is known of the input. Raises StageError where FFmpeg fails.
    """
    command = _command([*raw(size, pixel_format, colour), "-r", rate, *known, "-i", "-", *arguments])
    with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            yield lambda picture: process.stdin.write(memoryview(picture))
            process.stdin.close()
        except BrokenPipeError:
            pass
        except BaseException:
            process.kill()
            raise
        errors = process.stderr.read().decode(errors="replace")
    if process.returncode:
        _fail(errors)


def piped(arguments, folder, fed=()):
    """What FFmpeg writes to its standard output. Raises StageError where it fails.

    folder: where it runs, for the files that filters write; fed: raw pictures, as bytes, for its standard input.
    """
    pipes = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.PIPE)
    with ThreadPoolExecutor(2) as pool, subprocess.Popen(_command(arguments), cwd=folder, **pipes) as process:
        said, errors = pool.submit(process.stdout.read), pool.submit(process.stderr.read)
        with contextlib.suppress(BrokenPipeError):
            for picture in fed:
                process.stdin.write(picture)
            process.stdin.close()
        said, errors = said.result(), errors.result().decode(errors="replace")
    if process.returncode:
        _fail(errors)
    return said


def frames(path, size, pixel_format="rgb24", filters=None, further=()):
    """The frames of a video, one at a time: uint8 or uint16 (h, w, 3).

    size: (width, height) of the result; filters: an FFmpeg filter chain, or None; further: arguments of a second output
    from the same decoding. Raises StageError.
    """
    dtype = np.uint16 if pixel_format.endswith("le") else np.uint8
    count = size[0] * size[1] * 3 * dtype(0).itemsize
    for data in raw_frames(path, count, pixel_format, filters, further):
        yield np.frombuffer(data, dtype).reshape(size[1], size[0], 3)


def raw_frames(path, count, pixel_format, filters=None, further=()):
    """The same as `count` bytes each, in any format."""
    chain = ["-vf", filters] if filters else []
    command = _command([*source(path), *chain, "-f", "rawvideo", "-pix_fmt", pixel_format, "-", *further])
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        while len(data := process.stdout.read(count)) == count:
            yield data
        errors = process.stderr.read().decode(errors="replace")
    if process.returncode:
        _fail(errors)


def _command(arguments):
    return [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-loglevel", "error", "-y", *map(str, arguments)]


def _fail(errors):
    if "No space left on device" in errors:
        raise OSError(28, "No space left on device")
    lines = errors.strip().splitlines()
    raise StageError(f"FFmpeg stopped: {lines[-1] if lines else 'it said nothing'}")
