"""Find the crop.

Output framing.json
  crop      [left, top, width, height] of the first frame in pixels of the steadied plane (warps.json), edges and not
            pixel centres
  moves     null where the crop stands, or one [factor, right, down] a frame: its width against the first's, about the
            hold
            point, and the shift of its middle in parts of the first's size (kerbwalk.moves.moved)
  output    [width, height] of the composed picture, pixels
  retained  part of the photo's area that the crop keeps, 0..1; on a move the mean over the clip
  of_aspect part of the largest crop of this aspect that an unsteadied photo could give, 0..1
  costly    what leaving photos out would give back, [{photos, retained}], each with those before it; often empty
"""

import _workflow  # noqa: F401
import json

import numpy as np

from files import stage
from kerbwalk import decode, framing, lens
from kerbwalk.moves import soft_moves


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: output, boxes, framing")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    warps, settings = stage.read_json(args.warps), args.settings["framing"]
    size, hold = warps["size"], np.array(warps["hold"])
    output = args.settings["output"]
    aspect = output[0] / output[1]
    photos = {p["name"]: p for p in warps["photos"] if p["placed"]}
    files_of = {name: photo.get("photo", name) for name, photo in photos.items()}
    # A photo in each frame that it is part of, as on a move the frames' crops differ.
    used = [(k, name) for k, parts in enumerate(warps["frames"]) for name, _ in parts]
    to_plane = {name: np.linalg.inv(photo["matrix"]) for name, photo in photos.items()}
    # What the interpolation reads beyond its place: two output pixels and, rounded up, a decoded one.
    margin = 2 * min(s / o for s, o in zip(size, output, strict=True)) + decode.scale(*size, args.settings["boxes"]) + 2
    margin = margin + lens.borders(warps["lens"], size)
    margins = {name: margin + shifted(photo["grid"]) for name, photo in photos.items()}
    matrices, borders = (np.array([table[name] for _, name in used]) for table in (to_plane, margins))
    moves = None
    if settings["push_in"] != 1 or any(settings["pan"]):
        moves = soft_moves(len(warps["frames"]), settings["push_in"], settings["pan"])
    each = None if moves is None else moves[[k for k, _ in used]]
    hold_at, centre = settings["hold_at"], None
    if settings["centre"]:
        if hold_at:
            raise stage.StageError("framing.hold_at and framing.centre both say where the crop lies; take one out")
        hold_at, centre = None, on_plane(settings["centre"], size, to_plane.get(warps["reference"], np.eye(3)))
    try:
        crop = framing.crop(size, matrices, aspect, hold, borders, hold_at, each, centre)
    except ValueError as error:
        raise stage.StageError(
            f"{error}; choose a 'hold' further from the edges, leave photos out, or ask for less under 'framing'"
        ) from None
    full = framing.crop(size, np.eye(3)[None], aspect, (np.array(size) - 1) / 2, 0)
    costly = framing.costly(size, matrices, aspect, hold, borders, hold_at, centre) if moves is None else []
    area = crop[2] * crop[3] * (1 if moves is None else float(np.mean(moves[:, 0] ** 2)))
    stage.write_json(
        args.out,
        {
            "crop": crop,
            "moves": None if moves is None else moves.tolist(),
            "output": output,
            "retained": area / (size[0] * size[1]),
            "of_aspect": area / (full[2] * full[3]),
            "costly": [{"photos": [files_of[used[k][1]] for k in out], "retained": kept} for out, kept in costly],
        },
    )


def on_plane(point, size, to_plane):
    """A point of the reference photo, as fractions, on the plane: (2,) pixels."""
    there = to_plane @ [*(np.array(point) * size - 0.5), 1]
    return there[:2] / there[2]


def shifted(grid):
    """What a photo's local shifts take from each border: (4,) pixels."""
    return framing.shift_margins(np.array(grid)) if grid else np.zeros(4)


if __name__ == "__main__":
    stage.run(main)
