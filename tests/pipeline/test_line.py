"""The finished clips: their frames, format, tags, and edges."""

import hashlib
import struct
import subprocess
from fractions import Fraction

import av
import imageio_ffmpeg
import numpy as np
import pytest

from files import times

SHOOTS = ("approach", "empty", "arc")
SIZES = {"approach": (1920, 1080), "empty": (1080, 1080), "arc": (1920, 1080)}
RATES = {"approach": Fraction(24), "empty": Fraction(24000, 1001), "arc": Fraction(24)}
# BT.709-6 in the code points of ITU-T H.273: primaries, transfer and matrix all 1.
BT709 = 1
LIMITED = 1  # FFmpeg's AVCOL_RANGE_MPEG


def expected(truth, shoot):
    """The photos that the clip is to be made of."""
    names = [frame["photo"] for frame in truth[shoot]["frames"]]
    return [n for n in names[1:15] if n != "KW_0105.dng"] if shoot == "empty" else names


def colour(stream):
    context = stream.codec_context
    return context.color_primaries, context.color_trc, context.colorspace, context.color_range


@pytest.mark.parametrize("shoot", SHOOTS)
def test_frames_in_are_frames_out(finished, truth, shoot):
    names = expected(truth, shoot)
    assert finished.json(shoot, "audit.json")["photos"] == names
    clip = finished.json(shoot, "work/warps.json")["frames"]
    # The bumped photo is bridged by its neighbours; every other frame is its own photo.
    bumped = {frame["photo"] for frame in truth[shoot]["frames"] if frame["bumped"]}
    assert len(clip) == len(names)
    assert all(frame == [[name, 1.0]] for frame, name in zip(clip, names, strict=True) if name not in bumped)
    assert len(finished.hashes(shoot)) == len(names)
    with av.open(str(finished.results / shoot / f"{shoot}_hd.mp4")) as container:
        assert sum(1 for _ in container.decode(video=0)) == len(names)


@pytest.mark.parametrize("shoot", SHOOTS)
def test_hd(finished, truth, shoot):
    file = finished.results / shoot / f"{shoot}_hd.mp4"
    with av.open(str(file)) as container:
        assert [s.type for s in container.streams] == ["video"]
        stream = container.streams.video[0]
        context = stream.codec_context
        assert (context.name, context.profile, context.pix_fmt) == ("h264", "High", "yuv420p")
        assert (context.width, context.height) == SIZES[shoot]
        assert stream.sample_aspect_ratio == 1
        assert stream.average_rate == stream.guessed_rate == RATES[shoot]
        assert stream.duration * stream.time_base == len(expected(truth, shoot)) / RATES[shoot]
        assert colour(stream) == (BT709, BT709, BT709, LIMITED)
    data = file.read_bytes()
    boxes = list(top_boxes(data))
    assert boxes.index("moov") < boxes.index("mdat"), "the index has to be in front (faststart)"
    # ISO/IEC 14496-12, ColourInformationBox: primaries, transfer, matrix, and the bit for full range
    place = data.index(b"colrnclx") + 8
    assert struct.unpack(">HHHB", data[place : place + 7]) == (BT709, BT709, BT709, 0)


def test_hd_is_tagged_inside_the_stream_as_well(finished, tmp_path):
    bare = tmp_path / "bare.h264"
    source = finished.results / "approach" / "approach_hd.mp4"
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", source, "-c", "copy", "-f", "h264", bare]
    subprocess.run(command, check=True)
    with av.open(str(bare)) as container:
        next(container.decode(video=0))
        assert colour(container.streams.video[0]) == (BT709, BT709, BT709, LIMITED)


def top_boxes(data):
    """Names of an MP4 file's outermost boxes (ISO/IEC 14496-12, 4.2)."""
    place = 0
    while place < len(data):
        size, name = struct.unpack(">I4s", data[place : place + 8])
        assert size >= 8, "a box of 64-bit size is not expected in so short a clip"
        yield name.decode("ascii")
        place += size


@pytest.mark.parametrize("shoot", SHOOTS)
def test_master(finished, planes, shoot):
    file = finished.results / shoot / "master.mkv"
    with av.open(str(file)) as container:
        assert container.format.name.startswith("matroska")
        stream = container.streams.video[0]
        assert stream.codec_context.name == "ffv1"
        pixel = stream.codec_context.format
        assert all(part.bits >= 10 for part in pixel.components)
        assert {(part.width, part.height) for part in pixel.components} == {SIZES[shoot]}, "no subsampling"
        assert abs(stream.average_rate / RATES[shoot] - 1) < 1e-6, "Matroska's times are whole nanoseconds"
        assert colour(stream) == (BT709, BT709, BT709, LIMITED)
    hashes = [hashlib.md5(b"".join(p.tobytes() for p in frame)).hexdigest() for frame in planes(file)]
    assert hashes == finished.hashes(shoot)


@pytest.mark.parametrize("shoot", SHOOTS)
def test_hd_shows_what_the_master_holds(finished, planes, shoot):
    folder = finished.results / shoot
    pairs = zip(planes(folder / "master.mkv"), planes(folder / f"{shoot}_hd.mp4"), strict=True)
    for master, clip in pairs:
        error = master[0] / 4 - clip[0]
        assert abs(error.mean()) < 0.2  # the encoder rounds
        assert 10 * np.log10(255**2 / np.square(error).mean()) > 38
        for kept, coded in zip(master[1:], clip[1:], strict=True):
            assert abs(kept.mean() / 4 - coded.mean()) < 0.5


@pytest.mark.parametrize("name", ["master.mkv", "{}_hd.mp4"])
@pytest.mark.parametrize("shoot", SHOOTS)
def test_no_border_shows_in_any_frame(finished, planes, shoot, name):
    """What is black or made up would set the outermost lines off from those beside them."""
    for k, (luma, *_) in enumerate(planes(finished.results / shoot / name.format(shoot))):
        luma = luma.astype(np.float32) / (4 if luma.dtype == np.uint16 else 1)
        for side in (luma, luma[::-1], luma.T, luma.T[::-1]):
            steps = np.abs(np.diff(side[:24], axis=0)).mean(axis=1)
            assert steps[0] < 3 * steps[1:].max() + 1, f"frame {k}"
            assert side[0].mean() > 16.5


@pytest.mark.parametrize("shoot", SHOOTS)
def test_the_crop_lies_inside_every_photo(finished, shoot):
    framing, warps = finished.json(shoot, "work/framing.json"), finished.json(shoot, "work/warps.json")
    left, top, width, height = framing["crop"]
    assert width / height == pytest.approx(SIZES[shoot][0] / SIZES[shoot][1], rel=1e-3)
    corners = np.array([[x, y, 1] for x in (left, left + width) for y in (top, top + height)])
    used = {name for frame in warps["frames"] for name, _ in frame}
    for photo in (p for p in warps["photos"] if p["name"] in used):
        seen = corners @ np.transpose(photo["matrix"])
        seen = seen[:, :2] / seen[:, 2:]
        assert (seen >= -0.5).all() and (seen <= np.array(warps["size"]) - 0.5).all(), photo["name"]
    hold = (np.array(warps["hold"]) - [left, top]) / [width, height]
    assert ((hold > 0) & (hold < 1)).all()


def test_a_finished_night_is_measured_for_the_next_plan(finished, truth):
    found = times.measured(finished.results)
    assert found.photos == sum(len(truth[name]["frames"]) for name in ("approach", "empty", "arc"))
    assert found.megapixels == pytest.approx((36 * 900 * 600 + 16 * 880 * 660) / 1e6, rel=0.02)
    assert found.reading > 0.1 and found.others > 1 and found.disk > 1e6
