"""How still, straight, even and evenly lit a shoot's clip is by the truth of its photos (demo/shoots.py).

All take the shoot's truth and what its results hold, read from JSON: warps (work/warps.json), framing
(work/framing.json); gains, rows of work/gains.csv as dicts. Of shoots without a lens's distortion. Lengths are pixels
of a clip 1920 wide.
"""

import cv2
import numpy as np

from demo import camera
from kerbwalk import mesh, report
from kerbwalk.homography import jacobian, transfer

CLIP = 1920
SHOWN = 100  # pixels: of an edge less tells nothing
CLOSEST = 0.3  # metres from the camera


def in_clip(framing, points):
    """Where points (..., 2) of the steadied plane lie in the clip's first crop, pixels of the clip as it is."""
    return report.hold_in_output(points, framing["crop"], framing["output"])


def rms(places):
    """Of places (n, 2) about their mean."""
    return np.sqrt(np.square(places - places.mean(axis=0)).sum() / len(places))


def drift(places, frames):
    """From the first of the frames (n,) to the last along the best straight line through places (n, 2)."""
    return np.hypot(*np.polyfit(frames, places, 1)[0]) * (frames[-1] - frames[0])


def hold(truth, warps, framing):
    """Where the hold point lies: (places (n, 2), their frames (n,)), of the frames that one photo makes."""
    matrices = {photo["name"]: np.array(photo["matrix"]) for photo in warps["photos"] if photo["placed"]}
    made = _made(truth, warps)
    places = [transfer(np.linalg.inv(matrices[seen["photo"]]), np.array([seen["hold"]]))[0] for _, seen in made]
    return _wide(framing) * in_clip(framing, places), np.array([k for k, _ in made])


def tracks(truth, warps, framing, points, bent=True):
    """Where world points (points, 3) lie in the clip, (frames, points, 2); NaN where the photo does not show them, or
    where two photos make the frame. bent: whether with the local shifts, or by the homographies alone."""
    photos = {photo["name"]: photo for photo in warps["photos"]}
    found = np.full((len(warps["frames"]), len(points), 2), np.nan)
    for k, seen in _made(truth, warps):
        photo = photos[seen["photo"]]
        at, shown = _seen(truth, seen, points)
        grid = np.array(photo["grid"]) if bent else None
        found[k, shown] = in_clip(framing, mesh.to_plane(np.array(photo["matrix"]), grid, at[shown], warps["size"]))
    return _wide(framing) * found


def homographies(truth, warps, framing, points):
    """What the best homography a frame leaves, as `tracks`: each lays the truth's own points as well as can be where a
    camera would have seen them that ran along a cubic through the true places, its hold point still."""
    made = _made(truth, warps)
    frames = [k for k, _ in made]
    stood = np.array([-np.array(seen["R"]).T @ seen["t"] for _, seen in made])
    rail = np.stack([np.polyval(np.polyfit(frames, axis, 3), frames) for axis in stood.T], axis=1)
    K, target = np.array(truth["K"]), np.array(truth["hold_xyz"])
    pixel = np.array(truth["hold_fraction"]) * truth["size"] - 0.5
    lasting = lasting_points(truth)
    found = np.full((len(warps["frames"]), len(points), 2), np.nan)
    for (k, seen), place in zip(made, rail, strict=True):
        R = camera.aim(place, target, K, pixel)
        at, shown = _seen(truth, seen, lasting)
        wanted = camera.project(K, R, -R @ place, lasting[shown])[:, :2]
        matrix = cv2.findHomography(at[shown], wanted)[0]
        at, shown = _seen(truth, seen, points)
        found[k, shown] = transfer(matrix, at[shown])
    return found * CLIP / framing["crop"][2]


def lasting_points(truth):
    """The truth's own points, (n, 3), metres."""
    return np.array([point["xyz"] for point in truth["points"]])


def depths(truth, warps, points):
    """How far points lie before the photo that makes the frame, metres: (frames, points); NaN where two make it."""
    found = np.full((len(warps["frames"]), len(points)), np.nan)
    for k, seen in _made(truth, warps):
        found[k] = (points @ np.array(seen["R"]).T + seen["t"])[:, 2]
    return found


def unevenness(places):
    """The second difference of tracks (frames, points, 2), of each frame the median over them: (median, 95 %) over the
    frames."""
    jerk = np.linalg.norm(np.diff(places, 2, axis=0), axis=2)
    each = [np.nanmedian(frame) for frame in jerk if np.isfinite(frame).any()]
    return (np.median(each), np.percentile(each, 95)) if each else (np.nan, np.nan)


def bends(truth, warps, framing):
    """How far the truth's straight edges are bent: (frames, edges), the largest distance of an edge's points from the
    line that fits them best; NaN where hardly anything of it is shown."""
    photos, ends = {photo["name"]: photo for photo in warps["photos"]}, np.array(truth["edges"])
    points = ends[:, :1] + np.linspace(0, 1, 24)[:, None] * (ends[:, 1:] - ends[:, :1])
    bent = []
    for seen in truth["frames"]:
        photo = photos[seen["photo"]]
        if not photo["placed"]:
            continue
        at, shown = _seen(truth, seen, points.reshape(-1, 3))
        plane = mesh.to_plane(np.array(photo["matrix"]), np.array(photo["grid"]), at, warps["size"])
        place = in_clip(framing, plane)
        shown &= ((place > 0) & (place < np.array(framing["output"]) - 1)).all(axis=1)
        lines = (_wide(framing) * place).reshape(*points.shape[:2], 2)
        bent.append([_bend(line[own]) for line, own in zip(lines, shown.reshape(points.shape[:2]), strict=True)])
    return np.array(bent)


def distortion(warps):
    """Distortion value of Liu et al. 2013: how alike the two scales of the worst photo's warp are, in its middle."""
    middle = (np.array(warps["size"]) - 1) / 2
    scales = np.linalg.svd([jacobian(np.array(p["matrix"]), middle) for p in warps["photos"] if p["placed"]])[1]
    return (scales[:, 1] / scales[:, 0]).min()


def light(truth, warps, gains):
    """What is left of the flicker: (photos' names, what each errs by, a part of its light (n,), light in the clip
    (n,)).

    The true light, the camera's exposure, flicker and the applied gain together are the trend that is to be kept.
    """
    frames = {frame["photo"]: frame for frame in truth["frames"]}
    placed = {photo["name"] for photo in warps["photos"] if photo["placed"]}
    rows = [row for row in gains if row["photo"] in placed]
    names = [row["photo"] for row in rows]
    true = [np.log2(f["gain"]) + f["exposure_stops"] + f["light_stops"] for f in (frames[name] for name in names)]
    kept, applied = (np.array([float(row[key]) for row in rows]) for key in ("kept_trend", "applied_gain"))
    left = true + applied - kept
    return names, 2 ** (left - left.mean()) - 1, 2 ** (true + applied)


def _wide(framing):
    return CLIP / framing["output"][0]


def _made(truth, warps):
    """[(frame, the truth of its photo)] of the frames that one photo makes."""
    true = {frame["photo"]: frame for frame in truth["frames"]}
    return [(k, true[parts[0][0]]) for k, parts in enumerate(warps["frames"]) if len(parts) == 1]


def _seen(truth, frame, points):
    """(where a photo sees points (n, 3) of the world, (n, 2); whether it shows that place)."""
    seen = camera.project(*(np.array(part) for part in (truth["K"], frame["R"], frame["t"])), points)
    at, inside = seen[:, :2], (seen[:, :2] > 0) & (seen[:, :2] < np.array(truth["size"]) - 1)
    return at, (seen[:, 2] > CLOSEST) & inside.all(axis=1)


def _bend(line):
    if len(line) < 6 or np.hypot(*(line[-1] - line[0])) < SHOWN:
        return np.nan
    line = line - line.mean(axis=0)
    return np.abs(line @ np.linalg.svd(line)[2][1]).max()
