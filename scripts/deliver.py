"""Make a deliverable by its recipe, decode it again, and ship it only if it is as good as what went into its encoder.

What it is encoded from: the raw pictures that compose has laid ready (hd), or the master of its picture. It carries
BT.709's tags for matrix, primaries, transfer and range (pictures for the web and stills: sRGB's; of high dynamic range:
BT.2100's, and SMPTE ST 2086's), title, creator, rights and place from the settings, the time at which the clip's first
photo was taken (and the position, with about.gps), and nothing else. Stills are read back and are exactly what was
written; a poster is not judged.

Outputs
  out      the file; or, for a sequence of stills, a folder of numbered pictures
  quality  JSON
    codec, size [width, height], rate ("24/1"), frames, seconds
    source       "master", or the picture composed for it
    photo_pixels across one of its pixels; below 1 the photos are enlarged
  and of clips
    bits_a_second
    quality      that was taken: finer than the recipe's where that did not suffice, coarser where it took more than
                 the recipe's megabits; null where the codec has none
    psnr, ssim   {mean, worst} over all frames: luma, dB; of all components
    content_light  [MaxCLL, MaxFALL] in cd/m2, of high dynamic range; otherwise null
    vmaf         {mean, worst} over the frames looked at, libvmaf's default model
    repeated, black, jumps   frames (the first is 1) that are their predecessor again, black, or stand out, as they
                 are in the file; what was so before is no fault of the file
    illegal, at_white, at_black   the largest part of a picture outside EBU R 103's tolerances, at nominal white and
                 above, at black and below; null where the file is sRGB
    drawn_in     whether chroma was drawn in for it to be legal (kerbwalk.legal)
"""

import _workflow  # noqa: F401
import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np

from files import compare, encoders, ffmpeg, rights, stage
from files.warps import read_warps
from kerbwalk import quality
from kerbwalk.deliver import BY_CRF


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--recipe", required=True, type=json.loads, help="JSON, see house.recipes")
    parser.add_argument("--about", required=True, type=json.loads, help="JSON: title, creator, rights, place, gps")
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--framing", required=True)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--ready", nargs="*", help="the clip's parts in order, raw 4:2:0 in 8 bits")
    parser.add_argument("--master", nargs="?", const=None, help="otherwise: the master of its picture")
    parser.add_argument("--out", required=True)
    parser.add_argument("--quality", required=True)
    args = parser.parse_args()

    recipe = args.recipe
    count = len(read_warps(args.warps)["frames"])
    about, tags, created = described(args)
    xmp = rights.packet(about, created)
    if recipe["ending"] is None:
        with stage.whole_folder(args.out) as temporary:
            shown = encoders.pictures(recipe, args.master)
            frames = encoders.write_stills(recipe["codec"], shown, temporary, xmp, about, recipe["rate"])
            ship(args, recipe, frames, [] if frames == count else [f"it has {frames} frames instead of {count}"], {})
        return
    with stage.whole(args.out) as temporary:
        if recipe["frame"] is not None:
            wanted = round(recipe["frame"] * (count - 1))
            shown = next(p for k, p in enumerate(encoders.pictures(recipe, args.master)) if k == wanted)
            encoders.write_jpeg(shown, recipe["quality"], temporary)
            rights.describe(temporary, recipe["ending"], xmp)
            ship(args, recipe, 1, [], {})
            return
        found, recipe = made(args, recipe, count, tags, xmp, temporary)
        odd = quality.odd_frames(found["small"][:, 0])
        odd_before = quality.odd_frames(found["small"][:, 1], quality.MARGIN, quality.HARDLY)
        decoded = found | odd | {"frames": len(found["psnr"])}
        wrong = quality.faults(decoded, odd_before | {"frames": count}, recipe["vmaf"])
        figures = {
            "bits_a_second": round(1e6 * megabits(recipe, temporary, count)),
            **{key: mean_and_worst(found[key]) for key in ("psnr", "ssim", "vmaf")},
            **{key: [k + 1 for k in places] for key, places in odd.items()},
            **{key: max(found[key], default=None) for key in ("illegal", "at_white", "at_black")},
            "drawn_in": found["drawn_in"],
        }
        ship(args, recipe, count, wrong, {key: recipe[key] for key in ("quality", "content_light")} | figures)


def made(args, recipe, count, tags, xmp, temporary):
    """Encode, decode again, and compare: (what was found, the recipe with the quality that was taken).

    Grain that hardly moves is seen, and VMAF minds its loss: where the usual quality does not suffice, finer ones are
    tried; and where the file gets larger than the recipe allows, coarser ones, in a way that is made for much grain.
    Where more of a picture than may be is outside the legal levels, its chroma is drawn in before it is encoded.
    """
    tried, legally, light = [], False, encoders.content_light(recipe, args.master)
    recipe = recipe | {"content_light": light}
    while True:
        if args.ready:
            encoders.from_ready(recipe, args.ready, tags, temporary, legally)
            reference = compare.raw(recipe), None, encoders.ready_pictures(recipe["size"], args.ready)
        else:
            encoders.from_master(recipe, args.master, tags, temporary, light, legally)
            reference = ffmpeg.source(args.master), encoders.chain(recipe), ()
        rights.describe(temporary, recipe["ending"], xmp)
        rate = megabits(recipe, temporary, count)
        large = recipe["megabits"] is not None and rate > recipe["megabits"]
        found = None if large else compare.measured(temporary, recipe, count, reference)
        if not legally and found and max(found["illegal"], default=0) > quality.ILLEGAL:
            legally = True
            continue
        like = None if large else not quality.unlike(found["vmaf"], recipe["vmaf"])
        tried.append((recipe["quality"], recipe["within"], rate, like))
        following = quality.another(tried, recipe["megabits"]) if recipe["codec"] in BY_CRF else None
        if following is None:
            if large:
                ship(args, recipe, count, [f"it takes {rate:.1f} megabits a second"], {})
            return found | {"drawn_in": legally}, recipe
        recipe = recipe | dict(zip(("quality", "within"), following, strict=True))


def megabits(recipe, path, count):
    """A clip's megabits a second."""
    return 8e-6 * Path(path).stat().st_size * Fraction(recipe["rate"]) / count


def ship(args, recipe, frames, wrong, figures):
    """Write down how good it is, or stop where that is not good enough."""
    if wrong:
        name, said = Path(args.out).name, "; ".join(wrong)
        what_to_do = "raise the recipe's quality, or take another codec"
        if recipe["within"]:
            what_to_do = f"allow the recipe more than {recipe['megabits']:g} megabits"
        raise stage.StageError(f"{name} is not shipped: {said}; {what_to_do}")
    first = {
        "codec": recipe["codec"],
        "size": recipe["size"],
        "rate": recipe["rate"],
        "frames": frames,
        "seconds": float(frames / Fraction(recipe["rate"])),
        "source": recipe["picture"] or "master",
        "photo_pixels": round(stage.read_json(args.framing)["crop"][2] / recipe["size"][0], 4),
    }
    stage.write_json(args.quality, first | figures)


def described(args):
    """(about, FFmpeg's metadata, when the clip's first photo was taken, with the zone if it is known)."""
    names = stage.read_json(args.audit)["photos"]
    photo = next(p for p in stage.read_json(args.ingest)["photos"] if p["name"] == names[0])
    about = args.about | {"position": photo.get("place") if args.about["gps"] else None}
    named = {"title": "title", "artist": "creator", "copyright": "rights"}
    tags = {tag: about[key] for tag, key in named.items() if about[key]}
    created = photo["time"]
    if created:
        tags["creation_time"] = encoders.utc(created, photo["offset"])
        created += zone(photo["offset"])
    if about["position"]:
        tags["location"] = "{:+09.5f}{:+010.5f}/".format(*about["position"])
    return about, tags, created


def zone(minutes):
    """An offset from UTC as ISO 8601 has it; nothing where it is not known."""
    if minutes is None:
        return ""
    hours, rest = divmod(abs(round(minutes)), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"


def mean_and_worst(values):
    """Infinite ones (no difference at all) are told as 100."""
    finite = [100.0 if math.isinf(v) else v for v in values]
    return {"mean": round(float(np.mean(finite)), 4), "worst": round(float(np.min(finite)), 4)}


if __name__ == "__main__":
    stage.run(main)
