"""Decode a chunk of photos to scene-linear frames at the working size, with small proxies from the same pass.

Outputs
  frames   .npy, uint16 (n, height, width, 3): scene-linear camera RGB under the balance in ingest.json, 65535 where
           all channels are full (kerbwalk.highlights); a photo that cannot be read, or is of another size than the
           shoot's, is left out
  proxies  .npz:
    names     (n,) file names, in the order of the frames
    scale     () working pixels to photo pixels: photo x = scale * x + (scale - 1) / 2
    white     () the frames' value at which the channel that is full first is full: 1 for the look
    grey      uint16 (n, h, w), for tracking, 65535 where the frames have white; grey_scale () as scale
    light     float32 (n, h2, w2, 3), camera RGB for light, 65535 as in grey; light_scale () as scale
    clipped   bool (n, h2, w2), blocks that hold a clipped pixel
"""

import _workflow  # noqa: F401
import dataclasses
import functools
import json

import numpy as np

from files import checked, dark, decoded, stage
from files.photo import PhotoError, read_linear
from files.proxies import write as write_proxies
from kerbwalk import decode, denoise, highlights, hot, ingest
from kerbwalk.proxies import proxies


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"boxes": [[width, height], ...]}')
    parser.add_argument("--photos", nargs="+", required=True)
    parser.add_argument("--names", required=True, type=json.loads, help="JSON: the photos' file names")
    parser.add_argument("--hot", required=True)
    parser.add_argument("--dark", nargs="?", const=None, help="a raw file taken with the lens covered")
    parser.add_argument("--denoise", type=float, required=True, help="0 for nothing, see kerbwalk.denoise")
    parser.add_argument("--takes", type=int, required=True, help="MB of all working frames of the shoot")
    parser.add_argument("--room", type=int, required=True, help="MB that they may take; 0: as many as they do")
    parser.add_argument("--frames", required=True)
    parser.add_argument("--proxies", required=True)
    args = parser.parse_args()

    if 0 < args.room < args.takes:
        raise stage.StageError(
            f"the working frames of this shoot take up to {args.takes / 1000:.3g} GB, and 'disk_gb' allows "
            f"{args.room / 1000:g}; raise it, or make deliverables of fewer pixels"
        )
    shoot = stage.read_json(args.ingest)
    width, height = ingest.common_size(shoot["photos"])
    usable = ingest.usable(shoot["photos"], list(zip(args.names, args.photos, strict=True)))
    records = {record["name"]: record for record in shoot["photos"]}
    sites, taken = stage.read_json(args.hot)["sites"], dark.read(args.dark)
    full = decode.full_levels(shoot["balance"])
    boxes = args.settings["boxes"]
    if large := decode.too_large(width, height, boxes[1:]):
        raise stage.StageError(
            f"a deliverable of {large[0][0]}x{large[0][1]} pixels cannot be made of photos of {width}x{height}, as it "
            f"is more than {decode.ENLARGED} times as large; give its recipe a smaller size, or leave it out of the "
            "deliverables"
        )
    superpixel, average = decode.reduction(width, height, boxes)
    scale = decode.scale(width, height, boxes)
    small = []
    shape = (len(usable), height // scale, width // scale, 3)
    with decoded.writer(args.frames, shape) as write:
        for name, path in usable:
            mending = functools.partial(mend, sites, taken, args.denoise, name)
            frame = read(path, records[name], shoot["balance"], superpixel, mending)
            blown = highlights.restore(frame, full)
            if average > 1:
                frame = np.rint(decode.averaged(frame, average)).astype(np.uint16)
                blown = decode.averaged(blown[..., None], average)[..., 0] > 0
            frame, blown = np.ascontiguousarray(frame[: shape[1], : shape[2]]), blown[: shape[1], : shape[2]]
            write(frame)
            small.append(proxies(frame, blown, full))
    write_proxies(args.proxies, [name for name, _ in usable], small, scale, full.min())


def read(path, record, balance, superpixel, mending):
    """One photo, each channel full at its own level, from a file that is still what ingest saw."""
    try:
        return read_linear(path, balance, superpixel, checked.read_photo(path, record), mending)
    except PhotoError as error:
        raise stage.StageError(
            f"{record['name']}: {error}; copy it from the card again, or move it out of the folder"
        ) from None


def mend(sites, taken, amount, name, mosaic):
    """Take the dark frame off a photo's mosaic, mend its hot and dead sites, and take off so much of its noise."""
    dark.take_off(mosaic, taken, name)
    if sites:
        hot.mend(mosaic.values, hot.neighbours(mosaic.pattern), sites)
    gain, floor = denoise.noise(mosaic) if amount else (0, 0)
    return dataclasses.replace(mosaic, values=denoise.denoised(mosaic, gain, floor, amount)) if gain else mosaic


if __name__ == "__main__":
    stage.run(main)
