"""FFmpeg as a subprocess: the commands that end, and pipes of raw frames in and out."""

import contextlib
import subprocess
from concurrent.futures import ThreadPoolExecutor

import imageio_ffmpeg
import numpy as np

from files.stage import StageError

# The BT.709 tags that every file carries: matrix, primaries, transfer and range, in stream and container.
BT709_TAGS = ["-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv"]
# No program versions or random identifiers in the files: the same frames make the same bytes.
REPEATABLE = ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact"]
MASTER_FORMAT = "yuv444p10le"
# A second output beside a video: the MD5 of every frame that goes in.
FRAME_HASHES = ["-map", "0:v", "-c:v", "rawvideo", "-fflags", "+bitexact", "-f", "framemd5"]


def run(*arguments):
    """Run FFmpeg to its end. Raises StageError with its last line where it fails."""
    done = subprocess.run(_command(arguments), stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    if done.returncode:
        _fail(done.stderr)


@contextlib.contextmanager
def writer(size, pixel_format, rate, *arguments):
    """A function that takes raw BT.709 frames, as bytes or contiguous arrays, and feeds them to FFmpeg.

    size: (width, height); pixel_format: FFmpeg's name of it; rate: frames a second; arguments: what comes after the
    input. Raises StageError where FFmpeg fails.
    """
    picture = ["-pixel_format", pixel_format, "-video_size", f"{size[0]}x{size[1]}", "-r", rate]
    command = _command(["-f", "rawvideo", *picture, *BT709_TAGS, "-i", "-", *arguments])
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
    count = size[0] * size[1] * 3
    chain = ["-vf", filters] if filters else []
    command = _command(["-i", path, *chain, "-f", "rawvideo", "-pix_fmt", pixel_format, "-", *further])
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        while len(data := process.stdout.read(count * dtype(0).itemsize)) == count * dtype(0).itemsize:
            yield np.frombuffer(data, dtype).reshape(size[1], size[0], 3)
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
