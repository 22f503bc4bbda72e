"""Find where the cameras stood, the even walk beside that, and one warp a photo; settle the clip's frames.

Outputs
warps.json
  size      [width, height] of the photos and of the steadied plane, pixels
  reference file name of the photo that the plane belongs to
  hold      [x, y] where the hold point stays, pixels of the plane (the reference photo's own position)
  focal     focal length in pixels
  shake     usual distance of the camera from the even walk, as a part of the hold point's distance
  lens      what the lens does (see workflow/kerbwalk/lens.py): the plane and all that leads to it from photos are
            straight, without the lens's distortion, which comes last on the way from the plane to a photo's pixels
  photos    one record a photo, in order: name; placed (true or false) and, where false, problem (text); dropped
            (text): why a photo that was placed is in no frame, and only then;
            ahead: matrix and grid that take the plane as the clip shows it here to the plane as it shows it at the next
            photo, null for the last; of those that could be tracked further
            matrix (3x3, row by row): takes a point of the plane to the straight photo, (x, y, 1) up to scale;
            grid: null, or shifts in photo pixels, [down][across][x, y], to be added to where the matrix leads: the
            outer nodes are the plane's corner pixels, bilinear between nodes, beyond the outer ones as at them;
            hold [x, y] (pixels of the photo as taken) and lean (radians) in the photo; scale: size on the plane
            against the reference's; likeness as in track.json; place [x, y, z] of the camera, reference camera's axes,
            in parts of the hold point's distance; way: how far the walk has come there; off: distance from the
            even walk; agreeing: part of the points seen that agree with it
  frames    the clip, one list a frame of [photo name, share]; more than one where neighbours stand in
hold.csv    the hold point's track for compositing: photo, x, y (photo pixels), lean_degrees, scale; empty where not
placed
"""

import _workflow  # noqa: F401
import csv
import functools
import json
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from files import stage
from kerbwalk import edges, ground, lens, lines, parallax, steady, walk


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--track", required=True)
    parser.add_argument("--sights", required=True)
    parser.add_argument("--lens", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"steady": {...}}')
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
    parser.add_argument("--csv", required=True)
    args = parser.parse_args()

    track, glass = stage.read_json(args.track), stage.read_json(args.lens)
    with np.load(args.sights) as sights, ThreadPoolExecutor(args.threads) as pool:
        found = steadied(track, sights, glass, args.settings["steady"], pool.map)
    stage.write_json(args.out, found)
    with stage.whole(args.csv) as temporary, open(temporary, "w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["photo", "x", "y", "lean_degrees", "scale"])
        for photo, record in zip(track["photos"], found["photos"], strict=True):
            numbers = [*record["hold"], np.degrees(record["lean"]), photo["scale"]] if record["placed"] else [None] * 4
            table.writerow([photo["name"], *("" if v is None else f"{v:.4f}" for v in numbers)])


def steadied(track, sights, glass, settings, pool):
    """What warps.json holds. pool: a `map` that may do several things side by side."""
    # All that was seen is straightened first: of a point that the lens drew elsewhere the cameras cannot agree.
    photos, size = [straightened(photo, glass) for photo in track["photos"]], np.array(track["size"])
    count, names = len(photos), [p["name"] for p in photos]
    hold, level = lens.to_straight(glass, track["hold"]), track["level"] and lens.to_straight(glass, track["level"])
    every = photos
    if track["reference"] not in names:
        # One more at the end, as in the sights, that no walk goes through.
        own = {"hold": hold.tolist(), "lean": 0.0, "scale": 1.0, "likeness": 1.0, "sigma": 0.0, "said": False}
        every = [*photos, {"name": track["reference"], **own}]
    fixed = [p["name"] for p in every].index(track["reference"])
    known = tracked(every)
    edge_photo, edge = sights["edge_photo"], lens.to_straight(glass, sights["edge"])
    # A photo that was misread shows corners elsewhere than it seemed.
    trusted = np.array([not p.get("said") or p["inliers"] > 0 for p in every])[sights["photo"]]
    sights = (
        sights["photo"][trusted],
        sights["point"][trusted],
        lens.to_straight(glass, sights["at"][trusted]),
    )
    camera = steady.camera_matrix(*size, track["focal35"])
    corner = walk.corner_sigma(size[0])
    solved = walk.solve(known, sights, count, hold, camera, fixed, corner, track["focal35"] is not None, pool)

    many = np.bincount(sights[0], minlength=len(every))[:count] > walk.LEAST
    firm = known.seen[:count] & many
    firm[list(solved.problems)] = False
    firm = firm if firm.any() else known.seen[:count]
    bumped = steady.bumped(known.hold[:count], size[0])
    covered = steady.covered([p.get("likeness", np.nan) for p in photos])
    problems = [problem_of(p, solved.problems.get(k), bumped[k], covered[k]) for k, p in enumerate(photos)]
    usable = np.array([problem is None for problem in problems])
    if wrong := steady.too_few(usable, track["size"]):
        raise stage.StageError(wrong)
    # The clip's frames are chosen first, as it is they, and not the photos, that shall go on evenly.
    way = walk.way(solved.world.place[:count], firm, settings["smooth"])
    paced, shorter = settings["pace"] == "even", settings["unplaced"] == "leave_out"
    shown = steady.even_pace(way, usable) if paced else usable if shorter else usable | True
    frames = steady.timeline(names, usable & shown, paced or shorter)
    all_kept = settings["held"] == "all"
    walked = functools.partial(
        walk.even_out, solved, known, firm, shown, hold, level, fixed, settings["smooth"], all_kept
    )
    alone, bends = known.seen[:count] & ~many, settings["parallax"] and not all_kept
    looked = {k: edge[(edge_photo == k) & known.seen[k]] for k in edges.looked_at(count)} if bends else None
    even, surfaces = evened(walked, solved, known, hold, alone, size, looked, usable, pool)

    records = []
    for k, photo in enumerate(photos):
        record = {"name": photo["name"], "placed": bool(usable[k])}
        dropped = {} if shown[k] else {"dropped": "left out by 'steady.pace', for an even pace"}
        record |= {"problem": problems[k]} if problems[k] else dropped
        own = [part[k] for part in surfaces]
        record["ahead"] = walk.ahead(own, even, k, size, bends)
        if "problem" not in photo:
            record |= warped(k, photo, own, solved, even, known, hold, glass, size, bends) | {"way": float(way[k])}
        records.append(record)
    return {
        "size": track["size"],
        "reference": track["reference"],
        "hold": hold.tolist(),
        "lens": glass,
        "focal": float(solved.world.camera[0, 0]),
        "shake": even.shake,
        "photos": records,
        "frames": frames,
    }


def evened(walked, solved, known, hold, alone, size, looked, usable, pool):
    """The even walk, and for each photo the surface of nearness that it is seen through (parallax.surfaces).

    walked: the even walk within limits, or without; alone: photos that the hold point alone places; looked: {photo:
    edges} that shall stay straight, or None without local shifts; usable: photos that are placed.
    """

    def even_walk(limit=None):
        even = walked(limit)
        walk.lean_on_hold(solved, even, known, hold, alone)
        return even

    even, straight, below = even_walk(), None, None
    if looked is not None:
        straight = lines.found(solved.world, looked, size)
        below = ground.plane(solved.world, solved.lasts, even)
    surfaces = parallax.surfaces(solved.world, solved.covariance, solved.lasts, even, hold, size, straight, below, pool)
    if looked is not None:
        # Where a photo stands so far off that shifts would bend it, the walk has to come nearer.
        limit = parallax.limits(*surfaces, even, size, below)
        even = even_walk(np.where(usable[:, None, None], limit, 0))
    return even, surfaces


def warped(k, photo, surface, solved, even, known, hold, glass, size, bends):
    """What is known of photo k, which could be tracked, and the warp through its surface. bends: with local shifts."""
    found = known.hold[k] if solved.sure[k] or known.said[k] else None
    there, wanted = (solved.world.turn[k], solved.world.place[k]), (even.turn[k], even.place[k], even.camera[k])
    matrix, grid = walk.warp(surface, there, wanted, solved.world.camera, size, found, hold, bends)
    return {
        "hold": lens.to_photo(glass, walk.to_photo(matrix, grid, hold, size)).tolist(),
        "lean": photo["lean"],
        "scale": float(even.scale[k]),
        "likeness": photo["likeness"],
        "matrix": matrix.tolist(),
        "grid": None if grid is None else np.round(grid, 3),
        "place": solved.world.place[k].tolist(),
        "off": float(even.off[k]),
        "agreeing": float(solved.agreeing[k]),
    }


def tracked(photos):
    """The tracker's records as arrays."""

    def of(key, otherwise):
        return np.array([photo.get(key, otherwise) for photo in photos], float)

    level = [photo.get("level") or [[np.nan] * 2] * 2 for photo in photos]
    said = of("said", False).astype(bool)
    seen = np.array(["problem" not in photo for photo in photos])
    sure = (of("likeness", 0) > 0) & ~said
    hold, lean, scale, sigma = of("hold", [np.nan] * 2), of("lean", np.nan), of("scale", np.nan), of("sigma", np.nan)
    return walk.Tracked(seen, sure, said, hold, lean, scale, sigma, np.array(level, float))


def straightened(photo, glass):
    """A photo's record of track.json, its points without the lens's distortion."""
    points = {key: lens.to_straight(glass, photo[key]).tolist() for key in ("hold", "level") if photo.get(key)}
    return photo | points


def problem_of(photo, unfit, bumped, covered):
    """Why a photo cannot be a frame, or None."""
    problem = photo.get("problem") or unfit
    if problem or photo["said"]:
        return problem
    return "bumped: its aim is far off the others'" if bumped else "its hold point is covered" if covered else None


if __name__ == "__main__":
    stage.run(main)
