"""A walk past real walls, with known cameras and gains: OpenCV's sample pictures (Debian's opencv-doc), a street of
houses and a painted wall, each as a plane that a pinhole camera photographs by night, through a Bayer mosaic."""

import csv

import cv2
import numpy as np
import pytest

from demo import camera, dng
from kerbwalk import mesh
from kerbwalk.homography import transfer

COUNT, SIZE, FINER = 16, (720, 480), 3
K = camera.intrinsics(SIZE, 27)
BLACK, WHITE, FULL_WELL = 512, 16383, 30_000
# The picture, metres from wall to camera, a step (aside, ahead), and how far aims and rolls scatter, degrees.
WALLS = {
    "street": ("leuvenA.jpg", 26, (0.0, 0.3), (0.15, 0.2)),
    "painted": ("graf1.png", 18, (0.3, 0.0), (0.6, 0.5)),
}


def cameras(name):
    """Each photo's homography from the wall, metres right and up of its middle, to pixels; and its gain."""
    _, far, (aside, ahead), (aim, roll) = WALLS[name]
    rng = np.random.default_rng(31)
    for along in np.arange(COUNT) - (COUNT - 1) / 2:
        place = np.array([along * aside, along * ahead - far, 0]) + rng.normal(0, 0.012, 3)
        yaw, pitch = np.radians(rng.normal(0, aim, 2))
        turned = camera.turn(yaw, pitch, np.radians(rng.normal(0, roll)))
        turned = turned @ camera.aim(place, np.zeros(3), K, np.array(SIZE) / 2)
        yield K @ np.column_stack([turned[:, 0], turned[:, 2], -turned @ place]), np.exp(rng.normal(0, 0.06))


def photographed(picture, far, homography, gain, rng):
    """A Bayer mosaic, RGGB, of a wall half as wide again as the view: sRGB picture, uint8 (h, w, 3)."""
    height, width = picture.shape[:2]
    wide = 1.6 * far * SIZE[0] / K[0, 0]
    to_wall = np.array([[wide / width, 0, -wide / 2], [0, -wide / width, wide / width * height / 2], [0, 0, 1]])
    to_fine = np.array([[FINER, 0, (FINER - 1) / 2], [0, FINER, (FINER - 1) / 2], [0, 0, 1]])
    # IEC 61966-2-1, near enough for what is only light here
    light = 0.25 * (picture[..., ::-1] / np.float32(255)) ** np.float32(2.2)
    seen = cv2.warpPerspective(light, to_fine @ homography @ to_wall, np.multiply(SIZE, FINER), flags=cv2.INTER_CUBIC)
    colours = gain * cv2.resize(seen, SIZE, interpolation=cv2.INTER_AREA) @ camera.rgb_to_sensor(3800).T
    mosaic = colours[..., 1].copy()
    mosaic[::2, ::2], mosaic[1::2, 1::2] = colours[::2, ::2, 0], colours[1::2, 1::2, 2]
    electrons = rng.poisson(np.clip(mosaic, 0, 1) * FULL_WELL) + rng.normal(0, 3, mosaic.shape)
    return np.clip(np.rint(BLACK + electrons * (WHITE - BLACK) / FULL_WELL), 0, WHITE).astype(np.uint16)


@pytest.fixture(scope="module")
def walked(opencv_samples, root, environment, tmp_path_factory, finished):
    """The night of both walks, up to their small files of numbers."""
    folder = tmp_path_factory.mktemp("walls")
    for name, (picture, far, *_) in WALLS.items():
        (folder / "shoots" / name).mkdir(parents=True)
        wall, rng = cv2.imread(str(opencv_samples / picture)), np.random.default_rng(7)
        for k, (homography, gain) in enumerate(cameras(name)):
            dng.write(
                folder / "shoots" / name / f"W_{k + 1:04d}.dng",
                photographed(wall, far, homography, gain, rng),
                black=BLACK,
                white=WHITE,
                xyz_to_camera=camera.XYZ_TO_CAMERA,
                neutral=camera.neutral(3800),
                orientation=1,
                camera=("Lumenwright", "Noctule 2"),
                exif=[(33434, dng.RATIONAL, [3.0]), (41989, dng.SHORT, [27])],
                when=f"2031:03:14 21:{k // 4:02d}:{k % 4 * 15:02d}",
            )
    night = type(finished)(root, folder / "shoots", folder / "results", environment)
    # which make no finished shoot
    night.run("--cores", "2", "--until", "light", "framing")
    return night


@pytest.mark.parametrize("name", WALLS)
def test_a_real_wall_stands_still(walked, name):
    """The place that was chosen, and points all over the wall, by the true cameras; pixels of a clip 1920 wide."""
    warps, framing = (walked.json(name, f"work/{table}.json") for table in ("warps", "framing"))
    assert len(warps["frames"]) == COUNT and all(len(parts) == 1 for parts in warps["frames"])
    photos = {photo["name"]: photo for photo in warps["photos"]}
    true = {f"W_{k + 1:04d}.dng": homography for k, (homography, _) in enumerate(cameras(name))}
    middle = warps["frames"][COUNT // 2][0][0]
    held = transfer(np.array(photos[middle]["matrix"]), np.array([warps["hold"]]))
    grid = np.stack(np.meshgrid(np.linspace(60, 660, 7), np.linspace(60, 420, 5)), -1).reshape(-1, 2)
    on_wall = transfer(np.linalg.inv(true[middle]), np.vstack([held, grid]))
    places = []
    for parts in warps["frames"]:
        photo = photos[parts[0][0]]
        shifts = None if photo["grid"] is None else np.array(photo["grid"])
        places.append(mesh.to_plane(np.array(photo["matrix"]), shifts, transfer(true[photo["name"]], on_wall), SIZE))
    places = np.array(places) * 1920 / framing["crop"][2]
    off = np.hypot(*(places[:, 0] - places[:, 0].mean(axis=0)).T)
    uneven = np.median(np.linalg.norm(np.diff(places[:, 1:], 2, axis=0), axis=-1), axis=1)
    assert np.sqrt(np.mean(off**2)) < 0.15 and off.max() < 0.5
    assert np.median(uneven) < 0.25 and np.percentile(uneven, 95) < 0.5


@pytest.mark.parametrize("name", WALLS)
def test_a_real_wall_does_not_flicker(walked, name):
    with open(walked.results / name / "work" / "gains.csv", newline="", encoding="utf-8") as file:
        applied = np.array([float(row["applied_gain"]) for row in csv.DictReader(file)])
    left = np.log(2) * applied + np.log([gain for _, gain in cameras(name)])
    left -= np.polyval(np.polyfit(np.arange(COUNT), left, 2), np.arange(COUNT))
    assert left.std() < 0.0015 and np.abs(left).max() < 0.005
