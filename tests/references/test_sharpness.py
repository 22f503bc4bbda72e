"""What the line keeps of sharpness, what it lets alias, and whether a night sky bands: from the mosaic to hd's file.

The slanted edge follows ISO 12233 (the edge's method of its editions of 2000 to 2017, from memory: pixels are laid out
by their distance from the edge, four to a pixel, and the derivative's spectrum is the MTF). One ideal resampling keeps
what is below the clip's Nyquist frequency as it is in the decoded frame, and nothing above. Banding is told by CAMBI
("contrast-aware multiscale banding index", Tandon and others 2021), as libvmaf computes it: 0 is none, and about 5 is
where bands begin to annoy (from memory).
"""

import json
import subprocess

import av
import imageio_ffmpeg
import numpy as np
import pytest
from scipy.special import erf

from files import encoders, ffmpeg, filters
from house import recipes, settings
from kerbwalk import compose, demosaic, signal

# The clip's part that is looked at, and how many photo pixels one of its pixels is wide, of a photo of 3000x2000 of
# which a tenth is cut off: in hd, square, vertical and uhd.
OUT, SHRINK = (448, 256), 3000 * 0.9 / 1920
OTHERS = 2000 * 0.9 / 1080, 2000 * 0.9 / 1920, 3000 * 0.9 / 3840
TURN = np.radians(5)
# A lens's blur as a Gaussian's sigma, photo pixels: a good lens wide open, and one as sharp as the pixels (common
# practice, no source).
LENSES = 0.8, 0.5
LOW, HIGH = 0.1, 0.6


def laid(shrink):
    """The homography from the clip's pixels to the photo's, with a small turn and shift, and the photo's shape."""
    height, width = (int(n * shrink / 0.9) // 2 * 2 + 8 for n in OUT[::-1])
    cos, sin = shrink * np.cos(0.004), shrink * np.sin(0.004)
    middle = np.array([(width - 1) / 2 + 0.3, (height - 1) / 2 + 0.2])
    turn = np.array([[cos, -sin], [sin, cos]])
    matrix = np.eye(3)
    matrix[:2] = np.column_stack([turn, middle - turn @ [(OUT[0] - 1) / 2, (OUT[1] - 1) / 2]])
    return matrix, (height, width)


def decoded(scene):
    """A grey scene, float (h, w) in 0..1, as a raw photo's mosaic has it, interpolated."""
    values = np.rint(scene * 60000).astype(np.uint16)
    scale = np.full((2, 2), 65535 / 60000)
    return demosaic.bayer(values, np.array([[0, 1], [1, 2]]), np.zeros((2, 2)), scale)


def composed(frame, matrix, shrink=SHRINK):
    rgb = np.zeros((OUT[1], OUT[0], 3), np.float32)
    compose.warp(frame, matrix, compose.kernel_table(max(1.0, shrink)), 1 / 65535, rgb)
    return rgb


def delivered(rgb, no_look, folder):
    """The luma of hd's file, 0..1, of a clip of a signal R'G'B'."""
    planes = np.empty((3, *rgb.shape[:2]), np.uint16)
    signal.encode(np.ascontiguousarray(rgb, np.float32), no_look, planes)
    standard = settings.load(settings.SCHEMA.parents[2] / "config" / "config.yaml")
    size = list(rgb.shape[1::-1])
    recipe = recipes.resolved(standard, "here")["hd"] | {"size": size}
    ready, made = folder / "ready.yuv", folder / "hd.mp4"
    filtered = ["-vf", filters.TO_420, "-f", "rawvideo", ready]
    with ffmpeg.writer(size, ffmpeg.MASTER_FORMAT, 24, *filtered) as write:
        for _ in range(3):
            write(planes)
    encoders.from_ready(recipe, [ready], {}, made)
    with av.open(str(made)) as container:
        luma = [frame.to_ndarray()[: size[1]] for frame in container.decode(video=0)][-1]
    return (luma.astype(float) - 16) / 219, made


def mtf(picture, angle, middle):
    """Frequencies (cycles a pixel) and the MTF of a slanted edge."""
    y, x = np.indices(picture.shape)
    away = (x - middle[0]) * np.cos(angle) + (y - middle[1]) * np.sin(angle)
    near = np.abs(away) < 20
    bins = np.round(4 * away[near]).astype(int)
    bins -= bins.min()
    spread = np.bincount(bins, picture[near]) / np.bincount(bins)
    line = np.diff(spread) * np.hamming(len(spread) - 1)
    found, frequencies = np.abs(np.fft.rfft(line, 8192)), np.fft.rfftfreq(8192, 0.25)
    # What the bins and the difference take, each a box of a quarter of a pixel.
    return frequencies, found / found[0] / np.maximum(np.sinc(frequencies / 4) ** 2, 1e-3)


def half(frequencies, values):
    return frequencies[np.argmax(values < 0.5)]


def edge(lens, shrink):
    """A slanted edge in the clip, before any look: (its picture, where its middle lies, the ideal MTF50)."""
    matrix, shape = laid(shrink)
    y, x = np.indices(shape)
    centre = np.array([shape[1] / 2, shape[0] / 2])
    away = (x - centre[0]) * np.cos(TURN) + (y - centre[1]) * np.sin(TURN)
    frame = decoded(LOW + (HIGH - LOW) * (1 + erf(away / lens / np.sqrt(2))) / 2)
    frequencies, before = mtf(frame[..., 1].astype(float), TURN, centre)
    ideal = np.interp(frequencies, frequencies * shrink, before) * (frequencies < 0.5)
    return composed(frame, matrix, shrink), np.linalg.solve(matrix, [*centre, 1])[:2], half(frequencies, ideal)


@pytest.mark.parametrize("lens", LENSES)
def test_a_slanted_edge_keeps_its_sharpness(no_look, tmp_path, lens):
    rgb, at, ideal = edge(lens, SHRINK)
    shown, _ = delivered(rgb ** (1 / 2.4), no_look, tmp_path)
    for picture in (rgb[..., 1].astype(float), np.clip(shown, 0, 1) ** 2.4):
        assert half(*mtf(picture, TURN - 0.004, at)) >= 0.9 * ideal


@pytest.mark.parametrize("shrink", OTHERS)
def test_so_it_does_in_pictures_of_other_sizes(shrink):
    """Of the sharper lens, whose edges lose most."""
    rgb, at, ideal = edge(min(LENSES), shrink)
    assert half(*mtf(rgb[..., 1].astype(float), TURN - 0.004, at)) >= 0.9 * ideal


def test_a_zone_plate_hardly_aliases():
    """The energy of what the clip cannot hold, in parts of what it holds fully, by frequency in cycles a pixel."""
    matrix, shape = laid(SHRINK)
    y, x = np.indices(shape)
    radius = shape[1] / 2
    centre = np.array([shape[1] / 2, shape[0] / 2])
    plate = 0.4 + 0.3 * np.cos(np.pi * ((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / 2 / radius)
    rgb = composed(np.repeat(np.rint(65535 * plate)[..., None], 3, axis=2).astype(np.uint16), matrix)[
        ..., 1
    ] - np.float32(0.4)
    columns, rows = np.meshgrid(np.arange(OUT[0]), np.arange(OUT[1]))
    there = np.stack([columns, rows, np.ones_like(rows)], axis=-1) @ matrix.T
    frequency = 0.5 * np.hypot(there[..., 0] - centre[0], there[..., 1] - centre[1]) / radius * SHRINK
    energy = np.square(rgb)
    kept = energy[frequency < 0.15].mean()
    for low, high, bar in ((0.5, 0.6, 0.3), (0.6, 0.7, 0.1), (0.7, 1, 0.04)):
        assert energy[(frequency >= low) & (frequency < high)].mean() < bar * kept


def cambi(path):
    graph = "[0:v]split[a][b];[a][b]libvmaf=feature=name=cambi:log_fmt=json:log_path=cambi.json"
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", path, "-lavfi", graph, "-f", "null", "-"]
    subprocess.run(command, check=True, cwd=path.parent)
    frames = json.loads((path.parent / "cambi.json").read_text())["frames"]
    return np.mean([frame["metrics"]["cambi"] for frame in frames])


def video(planes, path, *encoded):
    """Two frames of 10-bit Y'CbCr as a file."""
    with ffmpeg.writer(planes.shape[:0:-1], ffmpeg.MASTER_FORMAT, 24, *encoded, path) as write:
        for _ in range(2):
            write(planes)
    return path


def test_a_night_sky_does_not_band(no_look, tmp_path):
    """A slow gradient without any grain, from 6 to 12 per cent of the signal over 1920 pixels; undithered it bands."""
    sky = np.linspace(0.06, 0.12, 1920)[None, :, None] + np.linspace(0, 0.01, 1080)[:, None, None]
    sky = np.repeat(sky, 3, axis=2)
    luma, made = delivered(sky, no_look, tmp_path)
    assert np.abs(luma[500:600].mean(axis=0) - sky[500:600, :, 1].mean(axis=0)).max() < 1.5 / 219
    assert cambi(made) < 3
    rounded, dithered = np.full((2, 3, 1080, 1920), 512, np.uint16)
    rounded[0] = np.rint(64 + 876 * sky[..., 1])
    signal.encode(np.ascontiguousarray(sky, np.float32), no_look, dithered)
    lossless = "-c:v", "ffv1"
    assert cambi(video(rounded, tmp_path / "rounded.mkv", *lossless)) > 5
    master = video(dithered, tmp_path / "master.mkv", *lossless)
    assert cambi(master) < 1
    own = {"fine": {"codec": "av1"}, "coarse": {"codec": "av1", "depth": 8}}
    known = settings.load(settings.SCHEMA.parents[2] / "config" / "config.yaml")
    known = settings.merged(known, {"deliverables": ["uhd", *own], "recipes": own})
    for name, recipe in recipes.resolved(known, "here").items():
        encoders.from_master(recipe | {"size": list(sky.shape[1::-1])}, master, {}, tmp_path / f"{name}.mp4")
        assert cambi(tmp_path / f"{name}.mp4") < 3
