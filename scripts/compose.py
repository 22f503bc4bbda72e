"""Compose a part of the clip: gain, one warp, look, signal, for each of its frames, into lossless FFV1.

The clip's frames are shared evenly among the parts. Outputs
  out       a Matroska file, FFV1 in 10-bit Y'CbCr 4:4:4, BT.709, or BT.2100 for a display of high dynamic range; in
            scene-linear light 16-bit planes of green, blue and red that hold the bits of half floats
  hashes    one MD5 a frame of the picture that went into the encoder, in FFmpeg's framemd5 format
  pictures  the same frames as deliver encodes them for hd, raw 4:2:0 in 8 bits
Each is made where it is asked for. A part without frames (a clip of fewer frames than parts) is empty files.
"""

import _workflow  # noqa: F401
import contextlib

import cv2
import numpy as np

from files import decoded, ffmpeg, filters, stage
from files.gains import read_gains
from files.proxies import Proxies
from files.tables import encoder
from files.warps import read_warps
from kerbwalk import compose, detail, layers
from kerbwalk.moves import moved

# FFV1 version 3 (RFC 9043): every frame a key frame, slices with checksums.
FFV1 = ["-c:v", "ffv1", "-level", "3", "-g", "1", "-slices", "4", "-slicecrc", "1", "-threads", "1"]


# A part's own time stamps are of no particular rate; master counts the frames through.
PART_RATE = 25


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--look", required=True)
    parser.add_argument("--gains", required=True)
    parser.add_argument("--found", required=True, help="light.json: colours, and the places to even")
    parser.add_argument("--warps", required=True)
    parser.add_argument("--framing", required=True)
    parser.add_argument("--proxies", nargs="+", required=True, help="the shoot's proxies, which name the frames")
    parser.add_argument("--frames", nargs="+", required=True, help="the shoot's decoded chunks, in the same order")
    parser.add_argument("--part", type=int, required=True)
    parser.add_argument("--parts", type=int, required=True)
    parser.add_argument("--local-contrast", type=float, required=True, help="0 for none, see kerbwalk.detail")
    parser.add_argument("--shows", choices=("bt709", "pq", "hlg", "linear"), default="bt709")
    for name in ("out", "hashes", "pictures"):
        parser.add_argument(f"--{name}", nargs="?", const=None)
    args = parser.parse_args()

    warps, framing = read_warps(args.warps), read_warps(args.framing)
    photos = {p["name"]: p for p in warps["photos"] if p["placed"]}
    gains = {name: 2.0 ** row["applied_gain"] for name, row in read_gains(args.gains).items()}
    found = stage.read_json(args.found)
    tints = {name: (2.0**red, 1.0, 2.0**blue) for name, (red, blue) in found["colours"].items()}
    places = [found["places"][index] for index in found["even"]]
    encode, local_contrast = encoder(args.look, args.shows), args.local_contrast
    pixels = ffmpeg.LINEAR_FORMAT if args.shows == "linear" else ffmpeg.MASTER_FORMAT
    cv2.setNumThreads(1)
    proxies = Proxies(args.proxies)
    # A photo may be seen from more than one place (kerbwalk.retime).
    files_of = {name: photo.get("photo", name) for name, photo in photos.items()}
    files = dict(zip(args.proxies, args.frames, strict=True))
    crop, output = framing["crop"], framing["output"]
    table = compose.kernel_table(compose.shrink(crop, output, proxies.scale))

    def layer(warp, photo, share):
        tint, glass, factor = tints.get(photo, compose.PLAIN), warps["lens"], share / proxies.white
        return layers.Layer(frames[photo], warp, factor, gains[photo], tint, glass, warps["size"], proxies.scale)

    def add(name, share):
        """Add a photo to the frame that is made; it is let go of then."""
        own = layer(photos[name], files_of[name], share)
        if fill := framing["fills"].get(name):
            other = layer(fill, fill["photo"], share)
            layers.lay_filled(own, other, crop, table, framing["borders"], rgb)
        else:
            layers.lay(own, crop, table, rgb)

    def where(photo):
        path, place = proxies.place(photo)
        return files[path], place

    def repeated(k):
        return k > mine[0] and warps["frames"][k] == warps["frames"][k - 1] and not framing["moves"]

    rgb, planes = np.empty((output[1], output[0], 3), np.float32), np.empty((3, output[1], output[0]), np.uint16)
    mine = np.array_split(np.arange(len(warps["frames"])), args.parts)[args.part]
    firsts = (files_of[warps["frames"][k][0][0]] for k in mine if not repeated(k))
    frames = decoded.Frames(where, firsts)
    with asked(args.out) as video, asked(args.hashes) as hashes, asked(args.pictures) as pictures:
        if not len(mine):
            return
        outputs = []
        if video:
            tags = [*ffmpeg.TAGS[args.shows], *ffmpeg.REPEATABLE]
            outputs += ["-map", "0:v", "-vf", "setsar=1", *FFV1, *tags, "-f", "matroska", video]
        if hashes:
            outputs += [*ffmpeg.FRAME_HASHES, hashes]
        if pictures:
            outputs += ["-map", "0:v", "-vf", filters.TO_420, "-c:v", "rawvideo", "-f", "rawvideo", pictures]
        with ffmpeg.writer(output, pixels, PART_RATE, *outputs, colour=args.shows) as write:
            frames.read_on()
            for k in mine:
                if repeated(k):
                    write(planes)
                    continue
                rgb[:] = 0
                if framing["moves"]:
                    crop = moved(framing["crop"], warps["hold"], framing["moves"][k])
                    table = compose.kernel_table(compose.shrink(crop, output, proxies.scale))
                for name, share in warps["frames"][k]:
                    add(name, share)
                frames.read_on()
                for place in places:
                    there, factor = even(place, warps["frames"][k], warps, crop, output)
                    rgb[there] *= factor
                if local_contrast:
                    detail.raise_contrast(rgb, local_contrast)
                encode(rgb, planes)
                write(planes)


def asked(path):
    """The file that becomes the path (files.stage.whole), or none where none is asked for."""
    return stage.whole(path) if path else contextlib.nullcontext()


def even(place, parts, warps, crop, output):
    """Where a frame made of these photos is evened at a place that flickers, and its factors there."""
    photos = {p["name"]: p for p in warps["photos"]}
    # Photos that stand in for one together stand a step or two apart.
    scale = sum(share * photos[name]["scale"] for name, share in parts)
    stops = sum(share * place["gains"][photos[name].get("photo", name)] for name, share in parts)
    box = [place[key] for key in ("x", "y", "width", "height")]
    return compose.evening(box, place["pattern"], warps["size"], warps["hold"], scale, crop, output, stops)


if __name__ == "__main__":
    stage.run(main)
