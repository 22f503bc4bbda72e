"""High dynamic range and scene-linear stills, by others' formulas and readers.

Outside sources: colour-science for the functions and matrices of ITU-R BT.2100 and CIE 2000, PyAV for the files' tags
and pictures, FFmpeg's own reader of OpenEXR for the stills.
"""

import struct

import av
import colour
import numpy as np
import pytest

from files import encoders, ffmpeg, rights, tables
from house import recipes, settings
from kerbwalk import hdr, signal

SIZE, PATCH, FRAMES = (384, 256), 64, 4
KINDS = {"pq": (16, "ITU-R BT.2100 PQ"), "hlg": (18, "ITU-R BT.2100 HLG")}
STANDARD = settings.load(settings.SCHEMA.parents[2] / "config" / "config.yaml")
ABOUT = {"title": "A walk", "creator": "Somebody", "rights": "© Somebody", "place": "Invented town", "position": None}


@pytest.fixture(scope="module")
def light():
    """The 24 patches as light, 1 at diffuse white, and one of them at the top: float32 (h, w, 3), BT.2020 primaries."""
    checker = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(checker.data.values())))
    rgb = colour.XYZ_to_RGB(xyz, "ITU-R BT.2020", checker.illuminant, apply_cctf_encoding=False)
    rgb = np.clip(rgb, 0, 1).reshape(4, 6, 3)
    rgb[3, 0] = hdr.TOP
    return rgb.repeat(PATCH, 0).repeat(PATCH, 1).astype(np.float32)


def masters(light, no_look, folder, kind):
    """A master of a kind; returns (path, the planes of its frames)."""
    planes = np.empty((3, *light.shape[:2]), np.uint16)
    signal.encode(light, no_look, planes, tables.coding(kind))
    path = folder / f"{kind}.mkv"
    encoded = ["-c:v", "ffv1", "-level", "3", *ffmpeg.TAGS[kind], *ffmpeg.REPEATABLE, path]
    with ffmpeg.writer(SIZE, ffmpeg.MASTER_FORMAT, 24, *encoded, colour=kind) as write:
        for _ in range(FRAMES):
            write(planes)
    return path, planes


def shown(planes, kind):
    """Light in cd/m2 of 10-bit Y'CbCr, by colour-science."""
    full = [np.repeat(np.repeat(p, SIZE[1] // p.shape[0], 0), SIZE[0] // p.shape[1], 1) for p in planes]
    levels = {"in_bits": 10, "in_int": True, "in_legal": True, "clamp_int": False}
    rgb = colour.YCbCr_to_RGB(np.stack(full, -1), K=colour.WEIGHTS_YCBCR["ITU-R BT.2020"], **levels)
    more = {"L_W": 1000, "L_B": 0} if kind == "hlg" else {}
    return colour.eotf(np.clip(rgb, 0, 1), KINDS[kind][1], **more)


def coded(light, kind):
    """10-bit Y'CbCr of light, 1 at diffuse white, by colour-science."""
    more = {"L_W": 1000, "L_B": 0} if kind == "hlg" else {}
    rgb = colour.eotf_inverse(light * hdr.WHITE, KINDS[kind][1], **more)
    levels = {"out_bits": 10, "out_int": True, "out_legal": True}
    return np.moveaxis(colour.RGB_to_YCbCr(rgb, K=colour.WEIGHTS_YCBCR["ITU-R BT.2020"], **levels), -1, 0)


def off(found, known):
    """CIE 2000 of the patches' middles, white being diffuse white; without the patch that is brighter."""
    labs = []
    for light in (found / hdr.WHITE, known / hdr.WHITE):
        tiles = light.reshape(4, PATCH, 6, PATCH, 3)[:, 16:-16, :, 16:-16].mean((1, 3)).reshape(24, 3)
        labs.append(colour.XYZ_to_Lab(colour.RGB_to_XYZ(tiles, "ITU-R BT.2020"), colour.CCS_ILLUMINANTS[
            "cie_2_1931"]["D65"]))  # fmt: skip
    return np.delete(colour.delta_E(*labs, method="CIE 2000"), 18)


def test_functions():
    code = np.linspace(0, 1, 1001)
    np.testing.assert_allclose(hdr.pq_light(code), colour.eotf(code, "ITU-R BT.2100 PQ"), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(hdr.pq(hdr.pq_light(code)), code, atol=1e-6)
    np.testing.assert_allclose(hdr.hlg(code), colour.oetf(code, "ITU-R BT.2100 HLG"), atol=2e-7)
    np.testing.assert_allclose(hdr.hlg_scene(hdr.hlg(code)), code, atol=2e-7)
    rgb = np.random.default_rng(3).random((1000, 3))
    known = colour.eotf(rgb, "ITU-R BT.2100 HLG", L_W=1000, L_B=0)
    np.testing.assert_allclose(hdr.light(rgb, "hlg"), known, rtol=1e-5, atol=1e-4)
    # ITU-R BT.2408-7, table 1: diffuse white of 203 cd/m2 is 58 % PQ and 75 % HLG.
    assert hdr.pq(hdr.WHITE) == pytest.approx(0.58, abs=0.002)
    scene = hdr.lightening(np.array(1.0))
    assert hdr.hlg(scene) == pytest.approx(0.75, abs=0.002)


@pytest.mark.parametrize("kind", KINDS)
def test_patches_and_tags(light, no_look, tmp_path, kind):
    master, planes = masters(light, no_look, tmp_path, kind)
    known = shown(planes, kind)
    assert np.abs(planes - coded(light.astype(float), kind)).max() <= 1
    own = {"recipes": {"own": {"codec": "hevc", "colour": kind, "fps": 24}}, "deliverables": ["own"]}
    recipe = recipes.resolved(STANDARD | own, "here")["own"] | {"size": list(SIZE)}
    measured = encoders.content_light(recipe, master)
    brightest = light.max(axis=2) * hdr.WHITE
    np.testing.assert_allclose(measured, [brightest.max(), brightest.mean()], rtol=0.02)
    # What is drawn in where it is not legal is legal here, and goes another way to the encoder.
    encoders.from_master(recipe, master, {}, tmp_path / "own.mp4", measured, legally=kind == "hlg")
    with av.open(str(tmp_path / "own.mp4")) as container:
        context = container.streams.video[0].codec_context
        frame = list(container.decode(video=0))[-1]
        assert (int(context.colorspace), int(context.color_primaries), int(context.color_trc)) == (9, 9, KINDS[kind][0])
        assert (context.pix_fmt, context.profile) == ("yuv420p10le", "Main 10")
        planes = [np.frombuffer(p, np.uint16).reshape(p.height, -1)[:, : p.width] for p in frame.planes]
    assert off(shown(planes, kind), known).max() < 0.5
    data = (tmp_path / "own.mp4").read_bytes()
    # ISO/IEC 14496-12, 12.1.5 to 12.1.7 (from memory): green, blue, red, white in 1/50000; 1/10000 cd/m2.
    place = data.index(b"mdcv") + 4
    volume = struct.unpack(">8H2I", data[place : place + 24])
    np.testing.assert_allclose(np.array(volume[:8]) / 50000, [0.17, 0.797, 0.131, 0.046, 0.708, 0.292, 0.3127, 0.329])
    assert volume[8:] == (10_000_000, 1)
    place = data.index(b"clli") + 4
    assert struct.unpack(">2H", data[place : place + 4]) == measured
    place = data.index(b"colrnclx") + 8
    assert struct.unpack(">HHH", data[place : place + 6]) == (9, KINDS[kind][0], 9)


def test_scene_linear_stills(light, no_look, tmp_path):
    """Light above 1 and below 0 gets through the line's master of half floats' bits, and is what FFmpeg reads."""
    scene, planes = 9 * light - np.float32(0.01), np.empty((3, SIZE[1], SIZE[0]), np.uint16)
    signal.halves(scene, no_look, planes)
    encoded = ["-c:v", "ffv1", "-level", "3", *ffmpeg.TAGS["linear"], tmp_path / "linear.mkv"]
    with ffmpeg.writer(SIZE, ffmpeg.LINEAR_FORMAT, 24, *encoded, colour="linear") as write:
        write(planes)
    own = {"recipes": {"own": {"codec": "exr"}}, "deliverables": ["own"]}
    recipe = recipes.resolved(STANDARD | own, "here")["own"] | {"size": list(SIZE)}
    assert recipe["picture"].endswith("_linear")
    found = encoders.pictures(recipe, tmp_path / "linear.mkv")
    assert encoders.write_stills("exr", found, tmp_path, rights.packet(ABOUT, None), ABOUT, "30000/1001") == 1
    raw = tmp_path / "raw"
    ffmpeg.run("-i", tmp_path / "000001.exr", "-pix_fmt", "gbrpf16le", "-f", "rawvideo", raw)
    green, blue, red = np.fromfile(raw, np.float16).reshape(3, SIZE[1], SIZE[0])
    np.testing.assert_array_equal(np.stack([red, green, blue], -1), scene.astype(np.float16))
    head = (tmp_path / "000001.exr").read_bytes()[:4000]
    place = head.index(b"chromaticities\0chromaticities\0") + 30 + 4
    primaries = struct.unpack("<8f", head[place : place + 32])
    np.testing.assert_allclose(primaries, [0.708, 0.292, 0.17, 0.797, 0.131, 0.046, 0.3127, 0.329], rtol=1e-6)
    place = head.index(b"framesPerSecond\0rational\0") + 25 + 4
    assert struct.unpack("<iI", head[place : place + 8]) == (30000, 1001)
    assert b"Invented town" in head
