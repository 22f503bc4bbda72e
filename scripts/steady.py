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
  photos    one record a photo, in order: name; placed (true or false) and, where false, problem (text);
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
import json

import numpy as np

from files import stage
from kerbwalk import cameras, lens, parallax, path, steady
from kerbwalk.registration import transfer

# What a corner is found to, pixels of the photo at 1280 across; what the hold point is.
CORNER_SIGMA, HOLD_SIGMA = 0.3, 0.02
# A sight within this many corner sigmas agrees; photos where fewer of them do, or so few, are not where they seem.
AGREES = 5.0
LEAST_SHARE, LEAST = 0.25, 8
# A hold point this far (corner sigmas) from where all the rest says is another one.
OTHER_HOLD = 8.0


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--track", required=True)
    parser.add_argument("--sights", required=True)
    parser.add_argument("--lens", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"steady": {...}}')
    parser.add_argument("--out", required=True)
    parser.add_argument("--csv", required=True)
    args = parser.parse_args()

    track, settings = stage.read_json(args.track), args.settings["steady"]
    photos = track["photos"]
    glass = stage.read_json(args.lens)
    shoot = Shoot(track, np.load(args.sights), glass)
    shoot.solve()
    shoot.even_out(settings)
    bumped = steady.bumped([p.get("hold", [np.nan, np.nan]) for p in photos], track["size"][0])
    covered = steady.covered([p.get("likeness", np.nan) for p in photos])
    records = []
    for k, photo in enumerate(photos):
        problem = photo.get("problem") or shoot.problems.get(k)
        if not problem and not photo["said"]:
            problem = "bumped: its aim is far off the others'" if bumped[k] else None
            problem = problem or ("its hold point is covered" if covered[k] else None)
        records.append(described(photo, problem, shoot, k, glass))
    usable = np.array([r["placed"] for r in records])
    if usable.sum() < 2:
        raise stage.StageError(
            f"only {usable.sum()} of {len(photos)} photos show the hold point's surroundings; choose another 'hold' or "
            "'reference' in the settings"
        )
    names = [p["name"] for p in photos]
    kept = steady.even_pace(shoot.way, usable) if settings["pace"] == "even" else usable | True
    frames = steady.timeline(names, usable, settings["unplaced"] == "leave_out")
    if settings["pace"] == "even":
        for record, keep in zip(records, kept, strict=True):
            if record["placed"] and not keep:
                record["dropped"] = "for an even pace"
        frames = [[(name, 1.0)] for name, keep in zip(names, kept & usable, strict=True) if keep]
    stage.write_json(
        args.out,
        {
            "size": track["size"],
            "reference": track["reference"],
            "hold": shoot.hold.tolist(),
            "lens": glass,
            "focal": float(shoot.camera[0, 0]),
            "shake": shoot.shake,
            "photos": records,
            "frames": frames,
        },
    )
    with stage.whole(args.csv) as temporary, open(temporary, "w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["photo", "x", "y", "lean_degrees", "scale"])
        for photo, record in zip(photos, records, strict=True):
            numbers = [*record["hold"], np.degrees(record["lean"]), photo["scale"]] if record["placed"] else [None] * 4
            table.writerow([photo["name"], *("" if v is None else f"{v:.4f}" for v in numbers)])


class Shoot:
    """A shoot's cameras, as they were and as an even walk has them.

    All that was seen is straightened first: of a point that the lens drew elsewhere the cameras cannot agree.
    """

    def __init__(self, track, sights, glass):
        self.photos, self.size = [straightened(photo, glass) for photo in track["photos"]], np.array(track["size"])
        self.count = len(self.photos)
        self.hold = lens.to_straight(glass, track["hold"])
        self.level = track["level"] and lens.to_straight(glass, track["level"])
        self.camera = steady.camera_matrix(*self.size, track["focal35"])
        self.corner = CORNER_SIGMA * max(1, self.size[0] / 1280)
        names = [p["name"] for p in self.photos]
        if track["reference"] not in names:
            # One more at the end, that no walk goes through: number -1 of the sights.
            own = {"hold": self.hold.tolist(), "lean": 0.0, "scale": 1.0, "likeness": 1.0, "sigma": 0.0, "said": False}
            self.photos.append({"name": track["reference"], **own})
            names.append(track["reference"])
        self.seen = np.array(["problem" not in p for p in self.photos])
        self.sure = np.array([p.get("likeness", 0) > 0 and not p.get("said") for p in self.photos])
        self.fixed = names.index(track["reference"])
        # A photo that was misread shows corners elsewhere than it seemed.
        trusted = np.array([not p.get("said") or p["inliers"] > 0 for p in self.photos])[sights["photo"]]
        self.sights = {key: sights[key][trusted] for key in ("photo", "point", "at")}
        self.sights["at"] = lens.to_straight(glass, self.sights["at"])
        self.sights["photo"] %= len(names)
        self.solved = np.bincount(self.sights["photo"], minlength=len(names)) > LEAST
        self.problems = {}

    def solve(self):
        """Cameras and points; who does not fit is in `problems`, or has its hold point where the others say."""
        inverse = np.linalg.inv(self.camera)
        turn, scale = np.tile(np.eye(3), (len(self.photos), 1, 1)), np.ones(len(self.photos))
        for k, photo in enumerate(self.photos):
            if self.seen[k]:
                warp = steady.rotation_to(photo["hold"], photo["lean"], self.hold, self.camera)
                turn[k], scale[k] = np.linalg.inv(inverse @ warp @ self.camera), photo["scale"]
        for _ in range(2):
            sights = self._all_sights()
            start = cameras.guess(sights, turn, scale, self.hold, self.camera, self.fixed)
            self.world, distance = cameras.solve(sights, start, self.camera, self.fixed)
            other = distance[sights.point == cameras.HOLD] > OTHER_HOLD * self.corner
            if not other.any():
                break
            self.sure[sights.photo[sights.point == cameras.HOLD][other]] = False
        agrees = distance < AGREES * self.corner
        self.agreeing = np.full(len(self.photos), 1.0)
        for k in np.flatnonzero(self.seen):
            own = agrees[(sights.photo == k) & (sights.point != cameras.HOLD)]
            self.agreeing[k] = own.mean() if len(own) else 1.0
            if len(own) > LEAST and (own.mean() < LEAST_SHARE or own.sum() < LEAST):
                self.problems[k] = "what it shows does not fit the other photos (something large moves through it)"
        self.covariance = cameras.spread(sights, self.world, self.camera, agrees)
        count = len(self.world.points)
        lasts = np.column_stack([np.full(count, len(self.photos) + 99), np.full(count, -99)])
        often = np.bincount(sights.point[agrees], minlength=count) >= min(4, self.count)
        use = agrees & often[sights.point] & (sights.photo < self.count)
        np.minimum.at(lasts[:, 0], sights.point[use], sights.photo[use])
        np.maximum.at(lasts[:, 1], sights.point[use], sights.photo[use])
        self.lasts = lasts

    def _all_sights(self):
        held = np.flatnonzero(self.sure)
        return cameras.Sights(
            np.concatenate([held, self.sights["photo"]]),
            np.concatenate([np.zeros(len(held), int), self.sights["point"] + 1]),
            np.vstack([np.array([self.photos[k]["hold"] for k in held]).reshape(-1, 2), self.sights["at"]]),
            np.concatenate(
                [
                    [max(HOLD_SIGMA, self.photos[k]["sigma"]) for k in held],
                    np.full(len(self.sights["photo"]), self.corner),
                ]
            ),
        )

    def even_out(self, settings):
        """The even walk, and how near everything is to it."""
        known = self.seen & self.solved
        known[list(self.problems)] = False
        known = known[: self.count] if known[: self.count].any() else self.seen[: self.count]
        world, photos = self.world, self.photos[: self.count]
        self.place = path.smoothed(world.place[: self.count], settings["smooth"], known)
        self.off = np.linalg.norm(world.place[: self.count] - self.place, axis=1)
        self.shake = float(np.sqrt(np.mean(self.off[known] ** 2)))
        target = np.linalg.inv(self.camera) @ [*self.hold, 1]
        along = self.place - self.place[0]
        main = np.linalg.svd(along - along.mean(0))[2][0]
        self.way = (world.place[: self.count] - self.place[0]) @ (main if main @ along[-1] >= 0 else -main)
        if settings["held"] == "all":
            self.place = np.tile(world.place[self.fixed], (self.count, 1))
        upright = steady.vertical(world.turn[: self.count][known])
        self.turn = np.array([steady.aimed(p, target, self.hold, upright, self.camera) for p in self.place])
        self._level()
        for k in np.flatnonzero((self.seen & ~self.solved)[: self.count]):
            # Nothing but the hold point says how this one was aimed.
            back = steady.rotation_to(photos[k]["hold"], photos[k]["lean"], self.hold, self.camera)
            world.place[k] = self.place[k]
            world.turn[k] = np.linalg.inv(np.linalg.inv(self.camera) @ back @ self.camera) @ self.turn[k]
        self.normals, self.offs = parallax.surfaces(
            world,
            self.covariance,
            self.lasts,
            self.turn,
            self.place,
            self.hold,
            self.camera,
            self.size,
            max(self.shake, 1e-6),
        )
        self.bends = settings["parallax"] and settings["held"] == "point"

    def _level(self):
        """Turn the even cameras about the hold point so that the line between the level points keeps its direction."""
        inverse = np.linalg.inv(self.camera)
        angles = np.full(self.count, np.nan)
        for k, photo in enumerate(self.photos[: self.count]):
            if photo.get("level"):
                rays = np.column_stack([photo["level"], np.ones(2)]) @ inverse.T
                on_plane = rays @ (self.camera @ self.turn[k] @ self.world.turn[k].T).T
                along = np.diff(on_plane[:, :2] / on_plane[:, 2:], axis=0)[0]
                angles[k] = np.arctan2(along[1], along[0])
        known = np.flatnonzero(np.isfinite(angles))
        if len(known):
            wanted = np.subtract(*self.level[::-1])
            turned = np.angle(np.exp(1j * (angles[known] - np.arctan2(wanted[1], wanted[0]))))
            for k, angle in enumerate(np.interp(np.arange(len(angles)), known, turned)):
                self.turn[k] = steady.rolled(self.turn[k], -angle, self.hold, self.camera)

    def warp(self, k):
        """(matrix, grid or None) of a photo."""
        seen, even = (self.world.turn[k], self.world.place[k]), (self.turn[k], self.place[k])
        matrix, grid = parallax.warp(self.normals[k], self.offs[k], seen, even, self.camera, self.size)
        if not self.bends:
            grid = None
        if self.sure[k] or self.photos[k].get("said"):
            # The hold point lies where it was found, to the last hundredth of a pixel.
            reached = transfer(matrix, self.hold[None])[0]
            reached = reached if grid is None else reached + parallax.at(grid, self.hold[None], self.size)[0]
            off = np.array(self.photos[k]["hold"]) - reached
            matrix = np.array([[1, 0, off[0]], [0, 1, off[1]], [0, 0, 1]]) @ matrix
            matrix /= matrix[2, 2]
        return matrix, grid

    def scale(self, k):
        """Size of the hold point's surroundings on the plane against the reference."""
        target = np.linalg.inv(self.camera) @ [*self.hold, 1]
        return float(1 / (self.turn[k][2] @ (target - self.place[k])))


def straightened(photo, glass):
    """A photo's record of track.json, its points without the lens's distortion."""
    points = {key: lens.to_straight(glass, photo[key]).tolist() for key in ("hold", "level") if photo.get(key)}
    return photo | points


def described(photo, problem, shoot, k, glass):
    """One photo's record."""
    if "problem" in photo:
        return {"name": photo["name"], "placed": False, "problem": photo["problem"]}
    matrix, grid = shoot.warp(k)
    held = transfer(matrix, shoot.hold[None])[0]
    held = held if grid is None else held + parallax.at(grid, shoot.hold[None], shoot.size)[0]
    record = {
        "name": photo["name"],
        "hold": lens.to_photo(glass, held).tolist(),
        "lean": photo["lean"],
        "scale": shoot.scale(k),
        "likeness": photo["likeness"],
        "placed": not problem,
        "matrix": matrix.tolist(),
        "grid": None if grid is None else np.round(grid, 3).tolist(),
        "place": shoot.world.place[k].tolist(),
        "way": float(shoot.way[k]),
        "off": float(shoot.off[k]),
        "agreeing": float(shoot.agreeing[k]),
    }
    return record | ({"problem": problem} if problem else {})


if __name__ == "__main__":
    stage.run(main)
