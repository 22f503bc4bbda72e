"""FFV1 (RFC 9043) in Matroska, as others read it.

Debian carries no decoder of FFV1 that is not FFmpeg's (apt-cache search ffv1 finds none; GStreamer and VLC use
FFmpeg's library). What it carries is MediaConch, the conformance checker of MediaArea, whose parser of FFV1
and Matroska is its own: it is asked where it is installed or can be downloaded. The pixels are read back
by PyAV, which is FFmpeg again: good for tags, frame by frame, and for "lossless", but no independent witness.
"""

import os
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from files import ffmpeg
from kerbwalk import signal

SIZE = (192, 108)
FFV1 = ["-c:v", "ffv1", "-level", "3", "-g", "1", "-slices", "4", "-slicecrc", "1"]
PACKAGES = ("mediaconch", "libmediainfo0v5", "libzen0v5", "libtinyxml2-9", "libmms0")


@pytest.fixture(scope="module")
def planes(no_look):
    """Six frames of noise over a ramp, uint16 (6, 3, h, w) Y'CbCr."""
    rng = np.random.default_rng(8)
    ramp = np.linspace(0, 1, SIZE[0])[None, :, None] * np.ones((SIZE[1], 1, 3))
    frames = np.empty((6, 3, SIZE[1], SIZE[0]), np.uint16)
    for frame in frames:
        noisy = np.clip(ramp + rng.normal(0, 0.1, ramp.shape), 0, 1).astype(np.float32)
        signal.encode(noisy, no_look, frame)
    return frames


@pytest.fixture(scope="module")
def master(planes, tmp_path_factory):
    """A master as the pipeline writes it: through files.ffmpeg, joined at 24000/1001."""
    folder = tmp_path_factory.mktemp("master")
    encoded = [*FFV1, *ffmpeg.BT709_TAGS, *ffmpeg.REPEATABLE, folder / "part.mkv"]
    with ffmpeg.writer(SIZE, ffmpeg.MASTER_FORMAT, 25, *encoded) as write:
        for frame in planes:
            write(frame)
    rate, joined = "24000/1001", folder / "master.mkv"
    source = ["-r", rate, "-i", folder / "part.mkv", "-c", "copy", "-r", rate]
    ffmpeg.run(*source, *ffmpeg.BT709_TAGS, *ffmpeg.REPEATABLE, "-f", "matroska", joined)
    return joined


@pytest.fixture(scope="session")
def mediaconch(request):
    """Command and environment of MediaConch: as installed, or out of Debian's packages without installing them."""
    if shutil.which("mediaconch"):
        return ["mediaconch"], os.environ
    place = Path(request.config.cache.mkdir("mediaconch"))
    program = place / "usr" / "bin" / "mediaconch"
    if not program.exists():
        if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
            pytest.skip("MediaConch is missing, and this is no Debian to take it from")
        command = ["apt-get", "--quiet", "download", *PACKAGES]
        done = subprocess.run(command, cwd=place, capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"MediaConch is missing and cannot be downloaded: {done.stderr.strip().splitlines()[-1]}")
        for package in place.glob("*.deb"):
            subprocess.run(["dpkg-deb", "--extract", package, place], check=True)
            package.unlink()
    libraries = os.pathsep.join(str(folder) for folder in place.glob("usr/lib/*-linux-gnu"))
    command, environment = [str(program)], {**os.environ, "LD_LIBRARY_PATH": libraries}
    if subprocess.run([*command, "--version"], env=environment, capture_output=True, check=False).returncode:
        pytest.skip("Debian's MediaConch does not start here: the libraries that it needs are of another release")
    return command, environment


def judged(mediaconch, path):
    command, environment = mediaconch
    done = subprocess.run([*command, "-mc", "-fs", path], env=environment, capture_output=True, text=True, check=False)
    return done.stdout


def test_mediaconch_finds_no_fault(master, mediaconch):
    assert judged(mediaconch, master).startswith("pass!")


def test_mediaconch_does_read_the_frames(master, mediaconch, tmp_path):
    """One bit of one slice changed: a checker that only looked at the headers would not see it."""
    data = bytearray(master.read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "hurt.mkv").write_bytes(data)
    assert judged(mediaconch, tmp_path / "hurt.mkv").startswith("fail!")


def test_tags_and_rate(master):
    with av.open(str(master)) as container:
        stream = container.streams.video[0]
        context = stream.codec_context
        assert (context.name, context.pix_fmt) == ("ffv1", "yuv444p10le")
        assert (context.width, context.height) == SIZE
        assert (int(context.colorspace), int(context.color_primaries), int(context.color_trc)) == (1, 1, 1)
        assert int(context.color_range) == 1
        assert stream.average_rate == Fraction(24000, 1001)
        frames = list(container.decode(stream))
    assert len(frames) == 6
    assert all((int(f.colorspace), int(f.color_range)) == (1, 1) for f in frames)


def test_what_comes_out_is_what_went_in(master, planes):
    with av.open(str(master)) as container:
        for frame, expected in zip(container.decode(video=0), planes, strict=True):
            for plane, wanted in zip(frame.planes, expected, strict=True):
                rows = np.frombuffer(plane, np.uint16).reshape(SIZE[1], plane.line_size // 2)
                np.testing.assert_array_equal(rows[:, : SIZE[0]], wanted)
