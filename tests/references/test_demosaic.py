"""Our interpolation of the mosaic against LibRaw's, on pictures whose full colour is known.

LibRaw's PPG (pixel grouping) and AHD (Hirakawa & Parks 2005) are the reference; PSNR is over all channels of linear
values, and once more after a square root, which weighs the dark parts as the eye does.
"""

import numpy as np
import pytest
import rawpy

from demo import dng
from kerbwalk import demosaic

PATTERN = np.array([[0, 1], [1, 2]])
ALGORITHMS = rawpy.DemosaicAlgorithm


@pytest.fixture(scope="module", params=[1, 2])
def picture(request):
    """House fronts of a sort: plain and striped tiles at all angles, lamps among them; drawn four times as large and
    averaged down, so that edges are as soft as a lens makes them. uint16 (h, w, 3), full range.
    """
    rng, side, fine = np.random.default_rng(request.param), 240, 4
    y, x = np.mgrid[: side * fine, : side * fine] / fine
    seeds = rng.uniform(0, side, (60, 2))
    tile = np.argmin([(x - sx) ** 2 + (y - sy) ** 2 for sx, sy in seeds], axis=0)
    angle, width = rng.uniform(0, np.pi, 60)[tile], rng.uniform(2.5, 12, 60)[tile]
    striped = np.sin(2 * np.pi * (x * np.cos(angle) + y * np.sin(angle)) / width) > 0
    # walls and signs differ more in brightness than in hue
    light = rng.uniform(0.02, 0.5, (60, 2, 1)) * (1 + rng.normal(0, 0.15, (60, 2, 3)))
    colours = light[tile, striped.astype(int)]
    for sx, sy in seeds[:12]:
        colours[(x - sx) ** 2 + (y - sy) ** 2 < 9] = 0.95
    return np.rint(65535 * colours.reshape(side, fine, side, fine, 3).mean((1, 3)).clip(0, 1)).astype(np.uint16)


def by_libraw(path, mosaic, algorithm):
    dng.write(
        path,
        mosaic,
        black=0,
        white=65535,
        xyz_to_camera=np.eye(3),
        neutral=np.ones(3),
        orientation=1,
        camera=("Maker", "Model"),
        exif=(),
        when="2031:03:14 21:04:10",
    )
    with rawpy.imread(str(path)) as raw:
        return raw.postprocess(
            demosaic_algorithm=algorithm,
            user_wb=[1, 1, 1, 1],
            output_color=rawpy.ColorSpace.raw,
            output_bps=16,
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0,
        )


def psnr(one, other, encode):
    inner = np.s_[8:-8, 8:-8]
    error = encode(one[inner] / 65535) - encode(other[inner] / 65535)
    return -10 * np.log10(np.mean(error**2))


@pytest.mark.parametrize("noise", [0, 300])
@pytest.mark.parametrize("encode", [np.asarray, np.sqrt])
def test_nearer_to_the_truth_than_ppg_and_not_behind_ahd(picture, tmp_path, noise, encode):
    mosaic = np.empty(picture.shape[:2], np.uint16)
    for y, x in np.ndindex(2, 2):
        mosaic[y::2, x::2] = picture[y::2, x::2, PATTERN[y, x]]
    noisy = mosaic + np.random.default_rng(5).normal(0, noise, mosaic.shape)
    mosaic = np.clip(np.rint(noisy), 0, 65535).astype(np.uint16)
    ours = psnr(demosaic.bayer(mosaic, PATTERN, np.zeros((2, 2)), np.ones((2, 2))), picture, encode)
    theirs = (by_libraw(tmp_path / "a.dng", mosaic, algorithm) for algorithm in (ALGORITHMS.PPG, ALGORITHMS.AHD))
    ppg, ahd = (psnr(result, picture, encode) for result in theirs)
    assert ours > ppg + 0.3
    assert ours > ahd - 0.3
