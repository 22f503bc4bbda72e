"""Turn the hold point's track into one warp a photo, and settle the clip's frames.

Output warps.json
  size     [width, height] of the photos and of the steadied plane, pixels
  reference  file name of the photo that the plane belongs to
  hold     [x, y] where the hold point stays, pixels of the plane (the reference photo's own position)
  focal    focal length in pixels
  photos   one record a photo, in order: name; placed (true or false) and, where false, problem (text);
           matrix (3x3, row by row): takes a point of the plane to the photo, (x, y, 1) up to scale;
           hold [x, y] and lean (radians) as measured in the photo; scale and likeness as in track.json
  frames   the clip, one list a frame of [photo name, share]; more than one where neighbours stand in
"""

import json

import numpy as np

import _workflow  # noqa: F401
from files import stage
from kerbwalk import steady


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--track", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"steady": {"unplaced": ...}}')
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    track = stage.read_json(args.track)
    width, height = track["size"]
    camera = steady.camera_matrix(width, height, track["focal35"])
    photos = track["photos"]
    bumped = steady.bumped([p.get("hold", [np.nan, np.nan]) for p in photos], width)
    covered = steady.covered([p.get("likeness", np.nan) for p in photos])
    problems = [
        "bumped: its aim is far off the others'" if bump else "its hold point is covered" if hidden else None
        for bump, hidden in zip(bumped, covered, strict=True)
    ]
    records = [described(p, problem, track, camera) for p, problem in zip(photos, problems, strict=True)]
    usable = np.array([r["placed"] for r in records])
    if usable.sum() < 2:
        raise stage.StageError(
            f"only {usable.sum()} of {len(photos)} photos show the hold point's surroundings; choose another 'hold' or "
            "'reference' in the settings"
        )
    leave_out = args.settings["steady"]["unplaced"] == "leave_out"
    stage.write_json(
        args.out,
        {
            "size": [width, height],
            "reference": track["reference"],
            "hold": track["hold"],
            "focal": float(camera[0, 0]),
            "photos": records,
            "frames": steady.timeline([p["name"] for p in photos], usable, leave_out),
        },
    )


def described(photo, problem, track, camera):
    """One photo's record."""
    if "problem" in photo:
        return {"name": photo["name"], "placed": False, "problem": photo["problem"]}
    to_plane = steady.rotation_to(photo["hold"], photo["lean"], track["hold"], camera)
    matrix = np.linalg.inv(to_plane)
    record = {key: photo[key] for key in ("name", "hold", "lean", "scale", "likeness")}
    record |= {"placed": not problem, "matrix": (matrix / matrix[2, 2]).tolist()}
    return record | ({"problem": problem} if problem else {})


if __name__ == "__main__":
    stage.run(main)
