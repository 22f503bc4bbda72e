"""Deliverables as other programs read them: 24 patches by each file's own tags, and what a file says of itself.

Outside sources: colour-science for the patches, BT.709's matrix, and CIE 2000 (their own values are checked in
test_colorchecker.py and test_ciede2000.py); PyAV and Pillow for decoding; ISO/IEC 14496-12 and the QuickTime file
format (both from memory) for the boxes.
"""

import io
import json
import struct
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import av
import colour
import numpy as np
import pytest
from PIL import Image, ImageCms

from files import compare, encoders, ffmpeg, rights
from house import recipes, settings
from kerbwalk import signal

ROOT = Path(__file__).parents[2]
RATE, FRAMES, PATCH, GRAIN = "24000/1001", 8, 64, 0.01
SIZE = 6 * PATCH, 4 * PATCH
STANDARD = settings.load(ROOT / "config" / "config.yaml")
ABOUT = {"title": "A walk: 'night' ü", "creator": "Somebody", "rights": "© Somebody", "place": "Invented town"}
TAGS = {"title": ABOUT["title"], "artist": ABOUT["creator"], "copyright": ABOUT["rights"]}
TAGS["creation_time"] = encoders.utc("2031-03-14T21:04:10", 60)
CODECS = ["h264", "hevc", "hevc 8", "av1", "av1 8", "prores", "dnxhr", "gif", "webp", "avif"]


def recipe(text):
    codec, *depth = text.split()
    own = {"codec": codec, "fps": 23.976} | ({"depth": int(depth[0])} if depth else {})
    made = recipes.resolved(STANDARD | {"recipes": {"own": own}, "deliverables": ["own"]}, "here")["own"]
    return made | {"size": list(SIZE), "ready": False}


@pytest.fixture(scope="module")
def master(no_look, tmp_path_factory):
    """The patches, brightened a little from frame to frame, under the grain of a night."""
    checker = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyy = np.array(list(checker.data.values()))
    rgb = colour.XYZ_to_RGB(colour.xyY_to_XYZ(xyy), "sRGB", checker.illuminant, apply_cctf_encoding=False)
    signals = np.clip(rgb, 0, 1).reshape(4, 6, 3) ** (1 / 2.4)
    picture = signals.repeat(PATCH, 0).repeat(PATCH, 1)
    path, rng = tmp_path_factory.mktemp("patches") / "master.mkv", np.random.default_rng(5)
    pictures = (picture * (1 - 0.01 * (FRAMES - 1 - k)) + rng.normal(0, GRAIN, picture.shape) for k in range(FRAMES))
    return path, written(path, pictures, no_look)


def written(path, pictures, no_look):
    """Write a master of R'G'B' pictures. Returns the last one's planes."""
    encoded = ["-c:v", "ffv1", "-level", "3", "-g", "1", *ffmpeg.BT709_TAGS, *ffmpeg.REPEATABLE, path]
    planes = np.empty((3, SIZE[1], SIZE[0]), np.uint16)
    with ffmpeg.writer(SIZE, ffmpeg.MASTER_FORMAT, RATE, *encoded) as write:
        for picture in pictures:
            signal.encode(picture.astype(np.float32), no_look, planes)
            write(planes)
    return planes


@pytest.fixture(scope="module")
def files(master, tmp_path_factory):
    """One file of each codec."""
    folder, made = tmp_path_factory.mktemp("deliverables"), {}
    for text in CODECS:
        own = recipe(text)
        made[text] = folder / f"{text.replace(' ', '')}.{own['ending']}"
        encoders.from_master(own, master[0], TAGS, made[text])
        packet = rights.packet(ABOUT | {"position": None}, "2031-03-14T21:04:10+01:00")
        rights.describe(made[text], own["ending"], packet)
    return made


def to_lab(light):
    """CIELAB of linear light of BT.709's primaries, by colour-science."""
    return colour.XYZ_to_Lab(colour.RGB_to_XYZ(light, "sRGB"), colour.CCS_ILLUMINANTS["cie_2_1931"]["D65"])


def patches(picture):
    """The mean of the middle of each patch."""
    tiles = picture.reshape(4, PATCH, 6, PATCH, -1)[:, PATCH // 4 : -PATCH // 4, :, PATCH // 4 : -PATCH // 4]
    return tiles.mean((1, 3)).reshape(24, -1)


def of_planes(planes, bits, limited=True):
    """R'G'B' of Y'CbCr of any subsampling, by colour-science's BT.709 matrix."""
    full = [np.repeat(np.repeat(p, SIZE[1] // p.shape[0], 0), SIZE[0] // p.shape[1], 1) for p in planes]
    weights = colour.WEIGHTS_YCBCR["ITU-R BT.709"]
    levels = {"in_bits": bits, "in_int": True, "in_legal": limited, "clamp_int": False}
    return colour.YCbCr_to_RGB(np.stack(full, -1), K=weights, **levels)


def last_frame(path):
    """(R'G'B' of the last frame, codec context): by the tags of the file itself."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0] if path.suffix != ".avif" else container.streams.video[-1]
        frame = list(container.decode(stream))[-1]
        kind = np.uint16 if "10le" in frame.format.name else np.uint8
        planes = [np.frombuffer(p, kind).reshape(p.height, -1)[:, : p.width] for p in frame.planes]
        assert int(frame.colorspace) == 1
        rgb = of_planes(planes, 10 if kind == np.uint16 else 8, int(frame.color_range) == 1)
        return rgb, stream.codec_context


@pytest.mark.parametrize("text", CODECS)
def test_patches_keep_their_colour(master, files, text):
    known = to_lab(np.clip(patches(of_planes(master[1], 10)), 0, 1) ** 2.4)
    if recipe(text)["codec"] in ("gif", "webp"):
        picture = Image.open(files[text])
        picture.seek(picture.n_frames - 1)
        shown, transfer = np.asarray(picture.convert("RGB")) / 255, 13
    else:
        shown, context = last_frame(files[text])
        transfer = int(context.color_trc)
    shown = np.clip(patches(shown), 0, 1)
    light = {1: shown**2.4, 13: colour.eotf(shown, "sRGB")}[transfer]
    off = colour.delta_E(known, to_lab(light), method="CIE 2000")
    assert off.max() < (0.5 if recipe(text)["depth"] == 10 else 1.0)


def test_a_still_and_a_poster_keep_them_too(master, tmp_path):
    known = to_lab(np.clip(patches(of_planes(master[1], 10)), 0, 1) ** 2.4)
    for codec, bar in (("tiff", 0.05), ("jpeg", 1.0)):
        own = recipe(codec)
        shown = list(encoders.pictures(own, master[0]))[-1]
        full = 65535 if codec == "tiff" else 255
        if codec == "jpeg":
            encoders.write_jpeg(shown, own["quality"], tmp_path / "one.jpg")
            rights.describe(tmp_path / "one.jpg", "jpg", rights.packet(ABOUT | {"position": [-1.5, 2.25]}, None))
            with Image.open(tmp_path / "one.jpg") as picture:
                shown = np.asarray(picture)
                profile = ImageCms.ImageCmsProfile(io.BytesIO(picture.info["icc_profile"]))
                assert "sRGB" in ImageCms.getProfileDescription(profile)
                assert b"Invented town" in picture.info["xmp"] and b"1,30.00000S" in picture.info["xmp"]
        off = colour.delta_E(known, to_lab(colour.eotf(patches(shown / full), "sRGB")), method="CIE 2000")
        assert off.max() < bar


@pytest.mark.parametrize("text", [text for text in CODECS if text not in ("gif", "webp", "avif")])
def test_stream_and_container(files, text):
    own = recipe(text)
    with av.open(str(files[text])) as container:
        stream = container.streams.video[0]
        context = stream.codec_context
        assert (context.width, context.height) == SIZE
        assert context.pix_fmt == encoders.pixel_format(own)
        assert (int(context.colorspace), int(context.color_primaries), int(context.color_trc)) == (1, 1, 1)
        assert int(context.color_range) == 1
        assert stream.sample_aspect_ratio == 1
        assert stream.average_rate == Fraction(RATE)
        assert stream.duration * stream.time_base == FRAMES / Fraction(RATE)
        assert {key: container.metadata.get(key) for key in ("title", "artist", "copyright")} == {
            key: TAGS[key] for key in ("title", "artist", "copyright")
        }
        assert container.metadata["creation_time"].startswith("2031-03-14T20:04:10")
        assert ("timecode" in stream.metadata) == (own["ending"] == "mov")
        assert sum(1 for _ in container.decode(stream)) == FRAMES
    data = files[text].read_bytes()
    kind = b"nclc" if own["ending"] == "mov" else b"nclx"
    place = data.index(b"colr" + kind) + 8
    assert struct.unpack(">HHH", data[place : place + 6]) == (1, 1, 1)
    place = data.index(b"pasp") + 4
    assert len(set(struct.unpack(">II", data[place : place + 8]))) == 1
    assert data.index(b"moov") < data.index(b"mdat")
    assert rights.XMP_UUID in data and b'dc:coverage="Invented town"' in data


@pytest.mark.parametrize("text", ["h264", "hevc", "av1"])
def test_chroma_is_sited_left(master, text, tmp_path):
    """A step of colour between two pixels: its chroma is the mean about the left one of each pair, as (1 2 1) / 4 or
    longer filters have it, and not the mean of the pair."""
    columns = np.where(np.arange(SIZE[0]) < SIZE[0] // 2 + 1, 400, 640).astype(np.uint16)
    frame = np.stack([np.full(SIZE[::-1], 500, np.uint16), *2 * [np.tile(columns, (SIZE[1], 1))]])
    source, made = tmp_path / "step.mkv", tmp_path / "step.mp4"
    with ffmpeg.writer(SIZE, ffmpeg.MASTER_FORMAT, RATE, "-c:v", "ffv1", *ffmpeg.BT709_TAGS, source) as write:
        write(frame)
    own = recipe(text) | {"quality": 1}
    encoders.from_master(own, source, {}, made)
    with av.open(str(made)) as container:
        plane = next(container.decode(video=0)).planes[1]
    kind, full = (np.uint16, 1) if own["depth"] == 10 else (np.uint8, 4)
    line = np.frombuffer(plane, kind).reshape(plane.height, -1)[plane.height // 2, : plane.width].astype(int) * full
    # The pair in the middle lies at columns W / 2 and W / 2 + 1, the step between them: sited left its chroma is
    # nearer to the left colour, sited in the middle it would be half-way.
    middle = line[SIZE[0] // 4]
    assert 400 < middle < 500


def test_the_same_pictures_make_the_same_bytes(master, files, tmp_path):
    for text in ("hevc", "av1", "dnxhr"):
        own = recipe(text)
        again = tmp_path / files[text].name
        encoders.from_master(own, master[0], TAGS, again)
        assert files[text].read_bytes().startswith(again.read_bytes())


def test_a_faithful_file_is_found_faithful(master, tmp_path):
    """Of the pictures that compose lays ready, and of a master: nothing is converted on the way to the comparison."""
    own = recipe("h264") | {"quality": 1}
    ready, made = tmp_path / "ready.yuv", tmp_path / "made.mp4"
    ffmpeg.run("-i", master[0], "-vf", encoders.chain(own), "-f", "rawvideo", ready)
    from_master = ["-i", master[0].resolve()], encoders.chain(own), ()
    for reference in ((compare.raw(own), None, encoders.ready_pictures(SIZE, [ready])), from_master):
        encoders.from_ready(own, [ready], {}, made)
        assert min(compare.measured(made, own, FRAMES, reference)["psnr"]) > 55


def test_the_moving_pictures_of_an_avif_are_looked_at_and_not_its_still(master, files):
    own = recipe("avif")
    reference = ffmpeg.source(master[0]), encoders.chain(own), ()
    assert min(compare.measured(files["avif"], own, FRAMES, reference)["psnr"]) > 40


def stage(master, folder):
    """The stage's own command line, and the names of the files that it reads."""
    tables = {
        "ingest": {"photos": [{"name": "a.dng", "time": None, "offset": None, "place": [-1.5, 2.25], "serial": "S1"}]},
        "audit": {"photos": ["a.dng"]},
        "framing": {"output": SIZE, "crop": [0, 0, *SIZE]},
        "warps": {"frames": [None] * FRAMES},
    }
    command = [sys.executable, ROOT / "scripts" / "deliver.py", "--master", master, "--about"]
    command.append(json.dumps(ABOUT | {"gps": False}))
    for name, table in tables.items():
        (folder / name).write_text(json.dumps(table))
        command += [f"--{name}", folder / name]
    return [*command, "--out", folder / "out.mp4", "--quality", folder / "quality.json"], set(tables)


def beside_pictures(path):
    """What an MP4 holds beside its pictures, in which any two letters may come up (ISO/IEC 14496-12, 4.2: boxes)."""
    data, at, kept = path.read_bytes(), 0, b""
    while at < len(data):
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        assert size >= 8, "no box of these files is written by its 64-bit size"
        kept += b"" if kind == b"mdat" else data[at : at + size]
        at += size
    return kept


def test_what_is_not_good_enough_is_not_shipped(master, tmp_path):
    """A recipe that spoils the picture: a sentence, and no file."""
    command, read = stage(master[0], tmp_path)
    spoilt = json.dumps(recipe("h264") | {"quality": 51, "vmaf": 100})
    bad = subprocess.run([*command, "--recipe", spoilt], capture_output=True, text=True)
    assert bad.returncode == 1
    assert "out.mp4 is not shipped: its VMAF is" in bad.stderr
    assert {path.name for path in tmp_path.iterdir()} == read
    good = subprocess.run([*command, "--recipe", json.dumps(recipe("h264"))], capture_output=True, text=True)
    assert good.returncode == 0, good.stderr
    told = json.loads((tmp_path / "quality.json").read_text())
    assert told["frames"] == FRAMES and told["quality"] <= 15 and told["vmaf"]["mean"] >= 95 and told["illegal"] < 0.01
    small = json.dumps(recipe("h264") | {"megabits": told["bits_a_second"] / 2e6, "vmaf": 50})
    done = subprocess.run([*command, "--recipe", small], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    coarser = json.loads((tmp_path / "quality.json").read_text())
    assert coarser["quality"] > told["quality"] and coarser["bits_a_second"] <= told["bits_a_second"] / 2
    data = beside_pictures(tmp_path / "out.mp4")
    assert not [word for word in (b"S1", b"GPS", b"loci") if word in data], "the position only where it is asked for"
    command[command.index("--about") + 1] = json.dumps(ABOUT | {"gps": True})
    done = subprocess.run([*command, "--recipe", json.dumps(recipe("h264"))], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    data = beside_pictures(tmp_path / "out.mp4")
    assert b"S1" not in data and b'exif:GPSLatitude="1,30.00000S"' in data and b'GPSLongitude="2,15.00000E"' in data
    # 3GPP TS 26.244, 8.10 (from memory): after version, language, an empty name and the role, both in 16.16 bits.
    place = data.index(b"loci") + 12
    assert struct.unpack(">ii", data[place : place + 8]) == (2.25 * 65536, -1.5 * 65536)


def test_what_coarse_chroma_makes_illegal_is_drawn_in(no_look, tmp_path):
    """Grain in saturated colours: a file at once legal would show that the test is none."""
    rng, master = np.random.default_rng(7), tmp_path / "master.mkv"
    written(master, (np.clip(rng.normal((0.7, 0.2, 0.1), 0.4, (*SIZE[::-1], 3)), 0, 1) for _ in range(4)), no_look)
    own = recipe("h264")
    encoders.from_master(own, master, {}, tmp_path / "plain.mp4")
    reference = ffmpeg.source(master), encoders.chain(own), ()
    before = compare.measured(tmp_path / "plain.mp4", own, 4, reference)
    assert min(before["illegal"]) > 0.02
    command, _ = stage(master, tmp_path)
    (tmp_path / "warps").write_text(json.dumps({"frames": [None] * 4}))
    done = subprocess.run([*command, "--recipe", json.dumps(own)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    told = json.loads((tmp_path / "quality.json").read_text())
    assert told["drawn_in"] and told["illegal"] < 0.01
    assert told["psnr"]["mean"] > np.mean(before["psnr"]) - 0.1
