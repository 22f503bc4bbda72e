"""How still and how even the clips are, against the demo's truth and by looking at the finished frames."""

import csv
import warnings

import cv2
import numpy as np
import pytest

from kerbwalk import mesh
from kerbwalk.homography import jacobian

SHOOTS = ("approach", "empty", "arc")
# RMS distance from the mean, of the worst frame, and drift from end to end, pixels at 1080p, by the true cameras; RMS
# and drift as finished frames, with their grain and what stands before the point, can be registered to each other.
TRUE_RMS, TRUE_WORST, TRUE_DRIFT = 0.06, 0.15, 0.08
STILL = 0.5
# The level by the true flicker: RMS from the kept trend, its worst photo and one that a bus passes, and RMS from a
# cubic; RMS from that as far as the finished frames can tell (the gains of that shoot leave 0.0004, these tell 0.0009
# to 0.0016 by where the crop lies), and of their mean, where nobody walks.
GAIN, WORST, BUS, SMOOTH, EVEN, MEAN = 0.0015, 0.005, 0.003, 0.002, 0.0018, 0.001
WORST_EDGE = 0.4  # pixels of a clip 1920 wide, off the line that fits an edge best
HALF = 80  # of the patch about the hold point, pixels of the clip


@pytest.fixture(scope="session")
def seen(finished, planes):
    """A function: what is measured on the frames of a shoot's master. Each is decoded once.

    Returns patches, float32 (n, 161, 161), luma about the hold point; at, (2,), the point's place in them;
    light, float32 (n, 108, w), linear; and lamps, (n, 3), the median Y', Cb, Cr of the 100 brightest pixels.
    """
    known = {}

    def look(shoot):
        if shoot not in known:
            hold = in_clip(finished, shoot, finished.json(shoot, "work/warps.json")["hold"])
            x, y = np.round(hold).astype(int) - HALF
            patches, light, lamps = [], [], []
            for frame in planes(finished.results / shoot / "master.mkv"):
                patches.append(frame[0][y : y + 2 * HALF + 1, x : x + 2 * HALF + 1] / np.float32(1023))
                small = cv2.resize(linear(frame), None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA)
                light.append(small)
                brightest = np.argpartition(frame[0], -100, axis=None)[-100:]
                lamps.append([np.median(plane.ravel()[brightest]) for plane in frame])
            known[shoot] = np.array(patches), hold - [x, y], np.array(light), np.array(lamps)
        return known[shoot]

    return look


def linear(frame):
    """Luminance, relative to the display's white, of coded Y', Cb, Cr in 10 bits.

    ITU-R BT.709-6 items 3.2 to 3.5 (signal), ITU-R BT.1886 annex 1 (display, its black at zero).
    """
    luma, blue, red = (
        (plane - np.float32(zero)) / span
        for plane, zero, span in zip(frame, (64, 512, 512), (876, 896, 896), strict=True)
    )
    red, blue = luma + 1.5748 * red, luma + 1.8556 * blue
    green = (luma - 0.2126 * red - 0.0722 * blue) / 0.7152
    red, green, blue = (np.clip(channel, 0, 1) ** 2.4 for channel in (red, green, blue))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def in_clip(night, shoot, plane_point):
    """Where a point of the steadied plane lies in the clip, pixels."""
    framing = night.json(shoot, "work/framing.json")
    step = np.array(framing["crop"][2:]) / framing["output"]
    return (np.array(plane_point) - framing["crop"][:2]) / step - 0.5


def rms(values):
    return np.sqrt(np.square(values - values.mean(axis=0)).sum() / len(values))


def drift(places, frames):
    """From the first frame to the last along the best straight line, pixels."""
    return np.hypot(*np.polyfit(frames, places, 1)[0]) * (frames[-1] - frames[0])


def deviation(levels):
    """From a cubic, which follows the demo's dusk exactly, as a part of it."""
    frames = np.arange(len(levels))
    return levels / np.polyval(np.polyfit(frames, levels, 3), frames) - 1


@pytest.mark.parametrize("shoot", SHOOTS)
def test_the_hold_point_stands_still_by_the_true_cameras(finished, truth, shoot):
    warps = finished.json(shoot, "work/warps.json")
    matrices = {p["name"]: np.array(p["matrix"]) for p in warps["photos"] if p["placed"]}
    true = {frame["photo"]: frame["hold"] for frame in truth[shoot]["frames"]}
    places, frames = [], []
    for k, parts in enumerate(warps["frames"]):
        if len(parts) == 1:
            x, y, w = np.linalg.solve(matrices[parts[0][0]], [*true[parts[0][0]], 1])
            places.append(in_clip(finished, shoot, [x / w, y / w]))
            frames.append(k)
    assert len(frames) >= len(warps["frames"]) - 1
    places = np.array(places)
    assert rms(places) < TRUE_RMS
    assert np.hypot(*(places - places.mean(axis=0)).T).max() < TRUE_WORST
    assert drift(places, frames) < TRUE_DRIFT


@pytest.mark.parametrize("shoot", SHOOTS)
def test_the_hold_point_stands_still_in_the_finished_frames(finished, seen, shoot):
    """Every frame is registered to the middle one by ECC (Evangelidis & Psarakis 2008) with an affine map, as what
    lies about the point grows when the camera comes nearer."""
    patches, at, *_ = seen(shoot)
    patches = [cv2.GaussianBlur(patch, (0, 0), 1.5) for patch in patches]
    middle = patches[len(patches) // 2]
    moves, frames = [], []
    for k, patch in enumerate(patches):
        start = np.eye(2, 3, dtype=np.float32)
        likeness, matrix = cv2.findTransformECC(middle, patch, start, cv2.MOTION_AFFINE, (3, 60, 1e-6), None, 5)
        if likeness > 0.9:  # otherwise somebody stands before it
            moves.append(matrix @ [*at, 1] - at)
            frames.append(k)
    assert len(frames) >= 0.9 * len(patches)
    moves = np.array(moves)
    assert rms(moves) < STILL
    assert drift(moves, frames) < STILL


def straightness(night, truth):
    """How far the truth's straight edges are bent in the clip: (frames, edges), pixels of a clip 1920 wide, the
    largest distance of an edge's points from the line that fits them best. NaN where less than 100 pixels are shown.
    """
    warps = night.json(truth["name"], "work/warps.json")
    photos, output = {p["name"]: p for p in warps["photos"]}, night.json(truth["name"], "work/framing.json")["output"]
    ends = np.array(truth["edges"])
    points = ends[:, :1] + np.linspace(0, 1, 24)[:, None] * (ends[:, 1:] - ends[:, :1])
    bent = []
    for true in truth["frames"]:
        photo = photos[true["photo"]]
        if not photo["placed"]:
            continue
        seen = (points.reshape(-1, 3) @ np.array(true["R"]).T + true["t"]) @ np.array(truth["K"]).T
        at = seen[:, :2] / seen[:, 2:]
        shown = (seen[:, 2] > 0.3) & ((at > 0) & (at < np.array(warps["size"]) - 1)).all(axis=1)
        plane = mesh.to_plane(np.array(photo["matrix"]), np.array(photo["grid"]), at, warps["size"])
        place = in_clip(night, truth["name"], plane)
        shown &= ((place > 0) & (place < np.array(output) - 1)).all(axis=1)
        bent.append([])
        for line, own in zip(place.reshape(*points.shape[:2], 2), shown.reshape(points.shape[:2]), strict=True):
            line = line[own] * 1920 / output[0]
            if len(line) < 6 or np.hypot(*(line[-1] - line[0])) < 100:
                bent[-1].append(np.nan)
                continue
            line = line - line.mean(axis=0)
            bent[-1].append(np.abs(line @ np.linalg.svd(line)[2][1]).max())
    return np.array(bent)


@pytest.mark.parametrize("shoot, most", [("approach", 0.2), ("arc", 0.3)])
def test_straight_edges_stay_straight_by_the_true_cameras(finished, truth, shoot, most):
    """Of photos half as wide as the clip; without what is known of edges 0.36 and 0.46 are left."""
    bent = straightness(finished, truth[shoot])
    bent = bent[np.isfinite(bent)]
    assert len(bent) > 500
    assert np.percentile(bent, 99) < most
    assert bent.max() < WORST_EDGE


def tracks(night, truth, bent):
    """Where the truth's points lie in the clip, frame by frame where one photo makes it: ((n, points, 2), depth class).

    bent: whether with the local shifts, or by the homographies alone.
    """
    warps = night.json(truth["name"], "work/warps.json")
    photos = {p["name"]: p for p in warps["photos"]}
    true = {frame["photo"]: frame for frame in truth["frames"]}
    points = np.array([p["xyz"] for p in truth["points"]])
    found = []
    for parts in warps["frames"]:
        if len(parts) > 1:
            found.append(np.full((len(points), 2), np.nan))
            continue
        photo, camera = photos[parts[0][0]], true[parts[0][0]]
        seen = (points @ np.array(camera["R"]).T + camera["t"]) @ np.array(truth["K"]).T
        at = seen[:, :2] / seen[:, 2:]
        grid = np.array(photo["grid"]) if bent else None
        place = in_clip(night, truth["name"], mesh.to_plane(np.array(photo["matrix"]), grid, at, warps["size"]))
        inside = (seen[:, 2] > 0) & ((at > 0) & (at < np.array(warps["size"]) - 1)).all(1)
        found.append(np.where(inside[:, None], place, np.nan))
    return np.array(found), np.array([p["depth_class"] for p in truth["points"]])


@pytest.mark.parametrize("shoot", ["approach", "arc"])
def test_tracks_move_evenly_by_the_true_cameras(finished, truth, shoot):
    """Second differences of the points' tracks: the median over tracks, then over frames; 1080p pixels. The shoots'
    proxies are half as wide as the clip, so that corners are found half as well as in photos of today."""
    bent, alone = (tracks(finished, truth[shoot], with_grid) for with_grid in (True, False))
    size = finished.json(shoot, "work/framing.json")["output"]
    left = {}
    for name, (places, kind) in (("bent", bent), ("alone", alone)):
        jerk = np.linalg.norm(np.diff(places, 2, axis=0), axis=2) * 1920 / size[0]
        for which in ("far", "mid", "near"):
            with np.errstate(invalid="ignore"), warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)
                each = np.nanmedian(jerk[:, kind == which], axis=1)
            left[name, which] = np.nanmedian(each), np.nanpercentile(each, 95)
    assert left["bent", "far"][0] < 0.15
    assert left["bent", "far"][1] < 0.3
    # where one homography suits what is not far either, little is left to be gained
    assert left["bent", "mid"][0] < max(0.6 * left["alone", "mid"][0], 0.3)
    assert left["bent", "near"][0] < 0.6 * left["alone", "near"][0]


def low(path, mirrored):
    """Part of a path's energy in the lowest five frequencies above the constant, of those that n frames can hold.

    Liu et al. 2013 ("Bundled camera paths for video stabilization") count "2nd to 6th" over all, without the constant;
    the constant being the first, these are 1 to 5 periods in the clip (from memory, as those who compute it do). Any
    path that goes from one place to another is a sawtooth to a Fourier series, and the ramp of a perfect rail has no
    more than 0.89 there (1 / k^2 over its sum). mirrored: played to and fro, so that the jump from the clip's end to
    its beginning, which nobody sees, does not count, with the same frequencies.
    """
    path = np.append(path, path[::-1]) if mirrored else path
    energy = np.square(np.abs(np.fft.rfft(path)))[1:]
    return energy[: 10 if mirrored else 5].sum() / energy.sum()


@pytest.mark.parametrize("shoot", ["approach", "arc"])
def test_paths_are_as_stable_as_a_rail(finished, truth, shoot):
    """Stability by Liu et al. 2013 of the tracks that glide, in either direction."""
    places = tracks(finished, truth[shoot], True)[0]
    frames = np.arange(len(places))
    paths = []
    for path in places.reshape(len(places), -1).T:
        known = np.isfinite(path)
        if known.sum() >= len(path) - 1 and known[[0, -1]].all() and abs(path[-1] - path[0]) > 30:
            paths.append(np.interp(frames, frames[known], path[known]))
    assert len(paths) > 40
    rail = low(frames, False)
    assert np.mean([low(path, False) for path in paths]) > rail - 0.01
    assert np.mean([low(path, True) for path in paths]) > 0.997


@pytest.mark.parametrize("shoot", SHOOTS)
def test_photos_are_not_distorted(finished, shoot):
    """Distortion value of Liu et al. 2013: how alike the two scales of the worst photo's warp are, in its middle."""
    warps = finished.json(shoot, "work/warps.json")
    middle = (np.array(warps["size"]) - 1) / 2
    slopes = [jacobian(np.array(p["matrix"]), middle) for p in warps["photos"] if p["placed"]]
    scales = np.linalg.svd(slopes)[1]
    assert (scales[:, 1] / scales[:, 0]).min() > 0.95


@pytest.mark.parametrize("shoot", SHOOTS)
def test_the_level_is_even_by_the_true_flicker(finished, truth, shoot):
    """The true light, the camera's exposure, flicker and the applied gain together are the trend that is to be kept."""
    frames = {f["photo"]: f for f in truth[shoot]["frames"]}
    placed = {p["name"] for p in finished.json(shoot, "work/warps.json")["photos"] if p["placed"]}
    with open(finished.results / shoot / "work" / "gains.csv", newline="", encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["photo"] in placed]
    true = [np.log2(f["gain"]) + f["exposure_stops"] + f["light_stops"] for f in (frames[r["photo"]] for r in rows)]
    kept, applied = (np.array([float(row[key]) for row in rows]) for key in ("kept_trend", "applied_gain"))
    assert np.std(2 ** (true - kept)) > 0.02, "the demo flickers"
    error = 2 ** (true + applied - kept - np.mean(true + applied - kept)) - 1
    assert np.sqrt(np.square(error).mean()) < GAIN and np.abs(error).max() < WORST
    bus = [frames[row["photo"]]["bus"] for row in rows]
    assert np.abs(error[bus]).max(initial=0) < BUS
    assert any(bus) == (shoot == "arc"), "a bus passes in one shoot"
    assert np.sqrt(np.square(deviation(2 ** (true + applied))).mean()) < SMOOTH


@pytest.mark.parametrize("shoot", ["approach", "empty"])
def test_the_level_of_what_lasts_is_even_in_the_finished_frames(seen, shoot):
    """The commonest over the lit places of their ratios to their median over time: whoever walks by, and what the
    walk moves against each other, has others."""
    light = seen(shoot)[2]
    usual = np.median(light, axis=0)
    lit = usual > np.percentile(usual, 25)
    ratios = np.log(np.maximum(light[:, lit], 1e-6) / usual[lit])
    places = np.arange(-0.3, 0.3, 0.0005)
    density = [np.exp(-np.square((places[:, None] - ratio) / 0.01) / 2).sum(axis=1) for ratio in ratios]
    assert np.sqrt(np.square(deviation(np.exp(places[np.argmax(density, axis=1)]))).mean()) < EVEN


def test_lamps_are_white_in_every_frame_whatever_its_gain(seen, finished):
    """Y' of white is 940 in 10 bits, Cb and Cr of what has no colour 512 (ITU-R BT.709-6, item 5.6)."""
    with open(finished.results / "approach" / "work" / "gains.csv", newline="", encoding="utf-8") as file:
        gains = [float(row["applied_gain"]) for row in csv.DictReader(file)]
    assert min(gains) < -0.04 and max(gains) > 0.04, "some frames are darkened, some brightened"
    lamps = seen("approach")[3]
    np.testing.assert_allclose(lamps[:, 0], 940, atol=2)
    np.testing.assert_allclose(lamps[:, 1:], 512, atol=3)


def test_the_mean_level_is_even_where_nobody_walks(seen):
    light = seen("empty")[2]
    assert np.sqrt(np.square(deviation(light.mean((1, 2)))).mean()) < MEAN


def test_the_bumped_photo_is_named_and_bridged(finished, truth):
    warps = finished.json("approach", "work/warps.json")
    bumped = [frame["photo"] for frame in truth["approach"]["frames"] if frame["bumped"]]
    absent = [p for p in warps["photos"] if not p["placed"]]
    assert [p["name"] for p in absent] == bumped
    assert all("bumped" in p["problem"] for p in absent)
    assert warps["frames"][13] == [["KW_0113.dng", 0.5], ["KW_0115.dng", 0.5]]
    page = (finished.results / "approach" / "report.html").read_text(encoding="utf-8")
    assert bumped[0] in page


@pytest.mark.parametrize("shoot", SHOOTS)
def test_the_crop_keeps_most_of_the_picture(finished, shoot):
    """Aimed to a fraction of a degree, a photo loses little to steadying; the rest is its shape against the clip's."""
    framing = finished.json(shoot, "work/framing.json")
    width, height = finished.json(shoot, "work/warps.json")["size"]
    aspect = framing["output"][0] / framing["output"][1]
    most = min(width / height, aspect) / max(width / height, aspect)
    assert framing["retained"] == pytest.approx(framing["crop"][2] * framing["crop"][3] / (width * height))
    assert 0.8 * most < framing["retained"] < most
    assert framing["of_aspect"] == pytest.approx(framing["retained"] / most, rel=0.01)
