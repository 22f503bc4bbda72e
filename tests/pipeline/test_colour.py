"""Colour in finished clips: hot pixels, lamps, greys under flicker, and a look taken from a graded still."""

import shutil

import cv2
import numpy as np
import pytest
import tifffile
import yaml
from scipy.interpolate import PchipInterpolator

from demo import camera, dng, photo, walk
from files import reference, still
from files.gains import read_gains
from files.look import processor, read_lut
from kerbwalk import compose, decode, difference, hot, look, match, mesh
from kerbwalk import still as laid

SHOOTS = ("approach", "empty", "arc")


def signal(frame):
    """R'G'B' in 0..1, float32 (h, w, 3), of 10-bit planes (ITU-R BT.709-6, items 3.2 to 3.5)."""
    luma, blue, red = ((p - np.float32(z)) / s for p, z, s in zip(frame, (64, 512, 512), (876, 896, 896), strict=True))
    red, blue = luma + 1.5748 * red, luma + 1.8556 * blue
    return np.clip(np.stack([red, (luma - 0.2126 * red - 0.0722 * blue) / 0.7152, blue], axis=-1), 0, 1)


@pytest.mark.parametrize("shoot", SHOOTS)
def test_hot_pixels_are_found(finished, truth, shoot):
    hot = finished.json(shoot, "work/hot.json")
    found, true = ({tuple(site) for site in sites} for sites in (hot["sites"], truth[shoot]["hot_pixels"]))
    assert hot["size"] == truth[shoot]["size"]
    # on so few and small photos the faintest are lost in noise and texture that hardly moves
    assert len(found & true) >= 0.97 * len(true)
    assert len(found - true) < 1e-4 * np.prod(hot["size"])


@pytest.mark.parametrize("shoot", SHOOTS)
def test_blown_lamps_are_white(finished, planes, shoot):
    for frame in list(planes(finished.results / shoot / "master.mkv"))[::5]:
        rgb = signal(frame)
        core = cv2.erode(np.uint8(rgb.min(axis=2) > 0.97), np.ones((5, 5))) > 0
        assert core.sum() > 50, "the demo has lamps"
        lab = difference.lab_of_signal(rgb[core])
        grey = lab * [1, 0, 0]
        assert np.percentile(difference.ciede2000(lab, grey), 99) < 3


def test_the_same_place_has_the_same_colour_in_every_frame(finished, planes):
    """Where nobody walks, and the flicker is taken out: half of the places of even tone, by their mean over 16 pixels;
    at the others the walk itself, of 30 cm, changes what is seen."""
    small = []
    for frame in planes(finished.results / "empty" / "master.mkv"):
        small.append(cv2.resize(signal(frame), None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA))
    labs = difference.lab_of_signal(np.array(small))
    usual = np.median(labs, axis=0)
    steep = np.hypot(*np.gradient(usual[..., 0])) > 0.7
    off = difference.ciede2000(labs, usual[None])[:, ~steep]
    assert (~steep).sum() > 100
    assert np.median(off, axis=1).max() < 1


def on_the_board(night, truth):
    """The part of each frame of the clip, slices, where the grey board lies by the true cameras, without its rim."""
    warps, framing = night.json(truth["name"], "work/warps.json"), night.json(truth["name"], "work/framing.json")
    photos = {photo["name"]: photo for photo in warps["photos"]}
    cameras = {frame["photo"]: frame for frame in truth["frames"]}
    step = np.array(framing["crop"][2:]) / framing["output"]
    for parts in warps["frames"]:
        ends = []
        for name, _ in parts:
            camera, photo = cameras[name], photos[name]
            seen = (np.array(truth["card"]) @ np.array(camera["R"]).T + camera["t"]) @ np.array(truth["K"]).T
            grid = photo["grid"] and np.array(photo["grid"])
            at = mesh.to_plane(np.array(photo["matrix"]), grid, seen[:, :2] / seen[:, 2:], warps["size"])
            ends.append((at - framing["crop"][:2]) / step - 0.5)
        (left, bottom), (right, top) = np.mean(ends, axis=0)
        x, y, inset = (left + right) / 2, (top + bottom) / 2, 0.35 * min(right - left, bottom - top)
        yield np.s_[round(y - inset) : round(y + inset), round(x - inset) : round(x + inset)]


def test_a_grey_board_has_one_colour_in_all_frames_of_the_clip(finished, truth, planes):
    """The light that the display shows of it, of every two frames."""
    frames = planes(finished.results / "empty" / "master.mkv")
    boards = [signal(f)[part] for f, part in zip(frames, on_the_board(finished, truth["empty"]), strict=True)]
    assert all(board.size > 3 * 30**2 for board in boards)
    shown = np.array([np.mean(board**2.4, axis=(0, 1)) ** (1 / 2.4) for board in boards])
    assert shown.min() > 0.1 and shown.max() < 0.9, "it is lit"
    labs = difference.lab_of_signal(shown)
    assert max(difference.ciede2000(one, labs).max() for one in labs) < 1
    gains = [frame["gain"] for frame in truth["empty"]["frames"]]
    assert max(gains) / min(gains) > 1.15, "the photos flicker"


@pytest.mark.parametrize("shoot", ["approach", "empty"])
def test_a_grey_keeps_its_colour_through_the_flicker(finished, truth, shoot):
    """What the sensor saw of greys at each photo, by the demo's truth, with the gains and the look of the clip."""
    rows = read_gains(finished.results / shoot / "work/gains.csv").items()
    # others stand in for a photo that was bumped
    gains = {name: row["applied_gain"] for name, row in rows if row["confidence"]}
    true = {frame["photo"]: frame["gain"] for frame in truth[shoot]["frames"]}
    greys = np.geomspace(0.005, 0.7, 12, dtype=np.float32)
    shown = []
    for name, applied in gains.items():
        seen = np.repeat(greys[:, None] * np.float32(true[name]), 3, axis=1)
        for k, grey in enumerate(seen):
            seen[k] *= compose.held(grey[0], np.float32(2**applied))[0]
        shown.append(look.applied(read_lut(finished.results / shoot / "work/look.clf"), seen))
    labs = difference.lab_of_signal(np.array(shown))
    spread = np.max([difference.ciede2000(one, other) for one in labs for other in labs], axis=0)
    assert len(labs) > 10 and spread.max() < 1
    untouched = look.applied(read_lut(finished.results / shoot / "work/look.clf"), np.full((1, 3), 0.1, np.float32))
    assert untouched.std() < 0.1 < untouched.mean(), "they are greys"


def saturated(picture, factor):
    luma = (picture @ [0.2126, 0.7152, 0.0722])[..., None]
    return luma + factor * (picture - luma)


def bent(picture, *values):
    """A curve through values at 0, 1/4, 1/2, 3/4 and 1, smooth."""
    return PchipInterpolator(np.linspace(0, 1, 5), values)(np.clip(picture, 0, 1))


# What editors do to a picture as a whole: curves, CDL, saturation, tint, split tones, black and white.
EDITS = {
    "warm": lambda x: saturated(bent(x, 0.02, 0.2, 0.52, 0.82, 1) * [1.06, 1, 0.9], 1.2),
    "cold": lambda x: np.clip(saturated(x, 0.6), 0, 1) ** [1.15, 1.05, 0.9] * [0.9, 1, 1.05],
    "contrast": lambda x: saturated(bent(x, 0, 0.14, 0.55, 0.9, 1), 1.1),
    "faded": lambda x: bent(x, 0.08, 0.3, 0.52, 0.72, 0.92) + [0.02, 0, -0.01],
    "cdl": lambda x: saturated(np.clip(x * [1.2, 1, 0.85] + [0.01, -0.01, 0.03], 0, 1) ** [0.95, 1.1, 1.05], 1.3),
    "split": lambda x: x + (1 - x) ** 2 * x * [-0.15, 0.02, 0.25] + x**2 * (1 - x) * [0.3, 0.08, -0.25],
    "grey": lambda x: np.repeat((x @ [0.4, 0.45, 0.15])[..., None] ** 1.15, 3, -1) * [1, 0.97, 0.9],
}


@pytest.fixture(scope="module")
def references(finished):
    """A function: a shoot's reference photo under its look as a signal, remembered."""
    known = {}

    def of(shoot):
        if shoot not in known:
            work = finished.results / shoot / "work"
            proxies, frames = (sorted(map(str, (work / part).glob("*"))) for part in ("proxies", "decoded"))
            audit = finished.results / shoot / "audit.json"
            known[shoot] = reference.read(audit, work / "lens.json", proxies, frames)[1]
            processor(work / "look.clf").applyRGB(known[shoot])
        return known[shoot]

    return of


# Each edit on one of two shoots, every other pair of them cropped, scaled and in 8 bits.
@pytest.mark.parametrize(("edit", "shoot"), [*zip(EDITS, ["approach", "arc"] * 4, strict=False)])
def test_an_unknown_global_edit_is_followed(references, tmp_path, shoot, edit):
    """The whole picture under the look that was found, against the edit itself: from the still in 16 bits, or cropped,
    scaled and as a JPEG of 8 bits."""
    before = references(shoot)
    still.write_reference(tmp_path / "reference.tif", before)
    encoded = tifffile.imread(tmp_path / "reference.tif") / 65535
    edited = np.clip(EDITS[edit](encoded), 0, 1).astype(np.float32)
    if list(EDITS).index(edit) % 4 < 2:
        height, width = edited.shape[:2]
        part = edited[int(0.07 * height) : int(0.93 * height), int(0.05 * width) : int(0.97 * width)]
        part = cv2.resize(part, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA)
        file = tmp_path / "graded.jpg"
        cv2.imwrite(str(file), np.uint8(np.rint(255 * part[..., ::-1])), [cv2.IMWRITE_JPEG_QUALITY, 90])
    else:
        file = tmp_path / "graded.tif"
        tifffile.imwrite(file, np.rint(edited * 65535).astype(np.uint16), photometric="rgb")
    one, other, inside, resampled = laid.registered(before, still.read(file))
    if resampled:
        one, other = laid.softened(one), laid.softened(other)
    cube, _ = match.fit(*laid.pairs(one, other, inside))
    shown = look.applied(look.cube(cube), before.reshape(-1, 3)).reshape(before.shape)
    light = np.where(edited <= 0.04045, edited / 12.92, ((edited + 0.055) / 1.055) ** 2.4)
    off = difference.ciede2000(*(difference.lab_of_signal(p) for p in (shown, light ** (1 / 2.4))))
    assert np.median(off) < 1
    assert np.percentile(off, 95) < 2.5


# Where the dark frame of the graded walk glows, beside the clip's narrow crop: y, x on the sensor; and by what levels.
GLOW, GLOWING = np.s_[200:300, 40:140], 40


def write_dark(path, spec):
    """A photo with the lens covered by the camera of the demo: its hot pixels, and a corner that glows."""
    sensor = np.full(spec.size[::-1], float(photo.BLACK))
    sites, rates = photo.hot_pixels(spec)
    sensor[sites[:, 1], sites[:, 0]] += rates * (photo.WHITE - photo.BLACK)
    sensor[GLOW] += GLOWING
    dng.write(
        path, np.clip(np.rint(sensor), 0, photo.WHITE).astype(np.uint16), black=photo.BLACK, white=photo.WHITE,
        xyz_to_camera=camera.XYZ_TO_CAMERA, neutral=np.ones(3), orientation=1, camera=("Maker", "Model"), exif=[],
        when="2031:03:14 23:04:10",
    )  # fmt: skip


def test_a_look_from_a_graded_still(little, undisturbed, planes, truth):
    """And, in the same run, a dark frame."""
    night = little("graded")
    folder = night.shoots.with_name("graded shoots")
    folder.mkdir()
    shutil.copytree(night.shoots / "walk", folder / "walk")
    night.shoots = folder
    write_dark(folder / "walk" / "dark.dng", walk.ShootSpec(**truth["approach"]["spec"]))
    own = folder / "walk" / "shoot.yaml"
    own.write_text(own.read_text() + "dark: dark.dng\n")
    said = night.finish("--cores", "2", "reference", "contact")
    assert "reference.tif" in said and "contact.html" in said
    with tifffile.TiffFile(night.results / "walk" / "reference.tif") as tiff:
        before = tiff.asarray() / 65535
        profile = tiff.pages[0].tags.valueof(34675)
    sheet = cv2.imread(str(night.results / "walk" / "contact.png"))
    assert sheet.shape[1] > 3 * 640 and sheet.std() > 10
    luma = (before @ [0.2126, 0.7152, 0.0722])[..., None]
    after = np.clip(luma + 1.3 * (before ** [0.9, 1.0, 1.1] - luma), 0, 1) * [1, 0.97, 0.92] + [0, 0.01, 0.03]
    after = np.rint(np.clip(after, 0, 1) * 65535).astype(np.uint16)
    tifffile.imwrite(folder / "walk" / "graded.tif", after, photometric="rgb", iccprofile=profile)
    own.write_text(own.read_text() + yaml.safe_dump({"look": {"match": "graded.tif"}}))
    night.finish("--cores", "2")
    report = night.json("walk", "work/match.json")
    assert report["median"] < 1 and report["p95"] < 2.5
    assert report["compared"] == 1
    assert (night.results / "walk" / "work" / "match.png").stat().st_size
    # Without the dark frame the same photo is brighter by what glows (but for what lies beside a lamp's white, which is
    # mixed of that and the wall); with it few hot pixels are left to be found but those that fill much of the range.
    one, other = (np.load(n.results / "walk/work/decoded/000.npy")[0][GLOW] for n in (night, undisturbed))
    off = np.median((other.astype(float) - one)[2:-2, 2:-2], axis=(0, 1))
    full = decode.full_levels(night.json("walk", "work/ingest.json")["balance"])
    np.testing.assert_allclose(off, full * GLOWING / (photo.WHITE - photo.BLACK), rtol=0.02)
    left = {tuple(site) for site in night.json("walk", "work/hot.json")["sites"]}
    sites, rates = photo.hot_pixels(walk.ShootSpec(**truth["approach"]["spec"]))
    assert {tuple(site) for site in sites[rates > 1.1 * hot.GLARING].tolist()} < left
    assert len(left) < 1.5 * (rates > hot.GLARING).sum()
    # The clip itself, against the still laid on it.
    reference = night.json("walk", "audit.json")["reference"]
    warps, framing = night.json("walk", "work/warps.json"), night.json("walk", "work/framing.json")
    k = [frame[0][0] for frame in warps["frames"]].index(reference)
    matrix = next(p["matrix"] for p in warps["photos"] if p["name"] == reference)
    left, top, width, height = framing["crop"]
    size = framing["output"]
    step = np.array([[width / size[0], 0, left + width / size[0] / 2], [0, height / size[1], top], [0, 0, 1]])
    step[1, 2] += height / size[1] / 2
    light = ((after / 65535 + 0.055) / 1.055) ** 2.4
    still = np.where(after / 65535 <= 0.04045, after / 65535 / 12.92, light) ** (1 / 2.4)
    laid = cv2.warpPerspective(
        still.astype(np.float32), np.array(matrix) @ step, size, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    )
    shown = signal(list(planes(night.results / "walk" / "master.mkv"))[k])
    soft = [cv2.GaussianBlur(picture, (0, 0), 4) for picture in (laid, shown)]
    off = difference.ciede2000(*(difference.lab_of_signal(picture) for picture in soft))
    assert np.median(off) < 1
    assert np.percentile(off, 95) < 2.5
