"""Find the crop.

Output framing.json
  crop      [left, top, width, height] of the first frame in pixels of the steadied plane (warps.json), edges and not
            pixel centres
  moves     null where the crop stands, or one [factor, right, down] a frame: its width against the first's, about the
            hold point, and the shift of its middle in parts of the first's size (kerbwalk.moves.moved)
  output    [width, height] of the composed picture, pixels
  retained  part of the photo's area that the crop keeps, 0..1; on a move the mean over the clip
  of_aspect part of the largest crop of this aspect that an unsteadied photo could give, 0..1
  costly    what leaving photos out would give back, [{photos, retained}], each with those before it; often empty
  fills     {photo: what fills the borders that it lacks}: photo, the other one; matrix and grid, as in warps.json, from
            the plane as the clip shows it at the first to the other; lacks, part of the crop, 0..1 (kerbwalk.filling)
  unfilled  what `retained` would be without them
  borders   [left, top, right, bottom] of any straight photo that are not read, pixels
"""

import _workflow  # noqa: F401
import functools
import json

import cv2
import numpy as np

from files import stage
from files.gains import read_gains
from files.proxies import Proxies
from files.warps import read_warps
from kerbwalk import decode, filling, framing, lens, registration
from kerbwalk.moves import moved, soft_moves

# Strips that are too wide to be filled are halved down to the one of `fill` over this.
LEAST_STRIP = 4


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: output, boxes, framing")
    parser.add_argument("--proxies", nargs="*", help="where borders may be filled: the shoot's proxies")
    parser.add_argument("--gains", nargs="?", help="likewise gains.csv")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    warps, settings = read_warps(args.warps), args.settings["framing"]
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
    matrices = np.array([to_plane[name] for _, name in used])
    borders = np.array([margin + shifted(photos[name]["grid"]) for _, name in used])
    moves = None
    if settings["push_in"] != 1 or any(settings["pan"]):
        moves = soft_moves(len(warps["frames"]), settings["push_in"], settings["pan"])
    each = None if moves is None else moves[[k for k, _ in used]]
    hold_at, centre = settings["hold_at"], None
    if settings["centre"]:
        hold_at, centre = None, on_plane(settings["centre"], size, to_plane.get(warps["reference"], np.eye(3)))
    find = functools.partial(framing.crop, size, matrices, aspect, hold)
    give = framing.GIVEN
    try:
        crop, fills = find(borders, hold_at, each, centre, give), {}
    except ValueError as error:
        what_to_do = "choose a 'hold' further from the edges, leave photos out, or ask for less under 'framing'"
        if settings["centre"]:
            x, y = (hold + 0.5) / size
            what_to_do = f"bring 'framing.centre' nearer to that point, [{x:.2f}, {y:.2f}], or take it out"
        raise stage.StageError(f"{error}; {what_to_do}") from None
    zooms = 1 if moves is None else float(np.mean(moves[:, 0] ** 2))
    unfilled = crop[2] * crop[3] * zooms
    if settings["fill"]:
        cv2.setNumThreads(1)
        # Nothing says how the neighbours look from where a photo is seen that is not at its own place.
        strips = {name: settings["fill"] * size[0] * (files_of[name] == name) for _, name in used}

        def cropped():
            given = borders - np.array([strips[name] for _, name in used])[:, None]
            # Strips leave nearly as much room everywhere: it takes more giving to stay in the middle.
            crop = find(given, hold_at, each, centre, 2 * give)
            return crop, given, [crop if moves is None else moved(crop, hold, moves[k]) for k, _ in used]

        fill = filler(warps, Proxies(args.proxies), read_gains(args.gains), margin)
        filled, given, fills = settle(used, strips, cropped, fill)
        crop, borders, give = (filled, given, 2 * give) if fills else (crop, borders, give)
    full = framing.crop(size, np.eye(3)[None], aspect, (np.array(size) - 1) / 2, 0)
    shown = [files_of[name] for _, name in used]
    costly = framing.costly(size, matrices, shown, aspect, hold, borders, hold_at, each, centre, give)
    area = crop[2] * crop[3] * zooms
    stage.write_json(
        args.out,
        {
            "crop": crop,
            "moves": None if moves is None else moves.tolist(),
            "output": output,
            "retained": area / (size[0] * size[1]),
            "of_aspect": area / (full[2] * full[3]),
            "costly": [{"photos": out, "retained": kept * zooms / (size[0] * size[1])} for out, kept in costly],
            "fills": fills,
            "unfilled": unfilled / (size[0] * size[1]),
            "borders": margin.tolist(),
        },
    )


def filler(warps, proxies, gains, margin):
    """Two functions of a photo's name and the crops of its frames: how far they reach beyond it, and its record in
    `fills`, or None where it cannot be filled.
    """
    photos = [photo for photo in warps["photos"] if "photo" not in photo]
    names = [photo["name"] for photo in photos]
    # All as bright as the reference, or a photo that stands for it.
    level_of = {name: 2 ** -gains[name]["applied_gain"] for name in names}
    carrier = warps["reference"] if warps["reference"] in level_of else names[0]
    bright = registration.bright_level(proxies.grey(carrier)) / level_of[carrier]
    size, glass = warps["size"], warps["lens"]

    @functools.lru_cache(2 * filling.REACH + 1)
    def picture(k):
        return registration.encode(proxies.grey(names[k]), bright * level_of[names[k]]).astype(np.float32)

    def beyond(name, crops):
        return filling.beyond(photos[names.index(name)], crops, size, margin)

    def record(name, crops):
        k = names.index(name)
        found = filling.filled(photos, k, crops, size, margin, glass, picture, proxies.grey_scale)
        if found is None:
            return None
        missing = max(filling.lacks(photos[k], crop, size, margin) for crop in crops)
        return {"photo": names[found[0]], **found[1], "lacks": missing}

    return beyond, record


def settle(used, strips, cropped, fill):
    """The crop, the borders that it keeps to, and the fills.

    Of photos that cannot be filled the one that lacks most may lack half as much, or nothing, until all others can.
    used: [(frame, photo)]; strips: {photo: pixels that it may lack}, changed; cropped: a function that gives what they
    allow: (crop, borders, crops of `used`); fill: of filler().
    """
    beyond, record = fill
    least = max(strips.values()) / LEAST_STRIP
    while True:
        crop, borders, crops = cropped()
        of_photo, fills = {}, {}
        for (_, name), own in zip(used, crops, strict=True):
            if strips[name] and own not in of_photo.setdefault(name, []):
                of_photo[name].append(own)
        lacking = {name: depth for name, own in of_photo.items() if (depth := beyond(name, own)) > 0}
        for name in sorted(lacking, key=lacking.get, reverse=True):
            fills[name] = record(name, of_photo[name])
            if fills[name] is None:
                strips[name] = strips[name] / 2 if strips[name] > least else 0
                break
        else:
            return crop, borders, fills


def on_plane(point, size, to_plane):
    """A point of the reference photo, as fractions, on the plane: (2,) pixels."""
    there = to_plane @ [*(np.array(point) * size - 0.5), 1]
    return there[:2] / there[2]


def shifted(grid):
    """What a photo's local shifts take from each border: (4,) pixels."""
    return framing.shift_margins(grid) if grid is not None else np.zeros(4)


if __name__ == "__main__":
    stage.run(main)
