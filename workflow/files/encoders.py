"""Each codec's encoder: from the master's pictures, or such as were laid ready, to a file."""

import datetime
import functools
from fractions import Fraction
from pathlib import Path

import numpy as np
import OpenEXR
import tifffile
from PIL import Image, ImageCms

from files import ffmpeg, filters, rights
from files.stage import StageError
from kerbwalk import colour, hdr, legal

# Encoders' results depend on the number of their threads: always two, whatever the machine.
# Trellis quantisation would take the dither out of a night sky, which then bands (CAMBI 17 instead of 2).
H264 = ["-c:v", "libx264", "-profile:v", "high", "-preset", "faster", "-trellis", "0", "-threads", "2"]
# Where chroma is coarse the grain's goes, and with it what its mean was in a small dark patch.
H264 += ["-chromaoffset", "-2"]
# To halve blocks of pictures that are predicted from both sides takes a quarter of the time, and gives 2 % of the bits
# and 0.06 dB; VMAF is the same without.
H264 += ["-partitions", "i8x8,i4x4,p8x8"]
HEVC = ["-c:v", "libx265", "-preset", "fast", "-x265-params", "log-level=error:info=0:pools=2:frame-threads=1"]
HEVC[-1] += ":cbqpoffs=-12:crqpoffs=-12"
# Even dark places get enough bits to keep dither: without, slow gradients have steps (CAMBI 6.5 instead of 1.3).
HEVC[-1] += ":aq-mode=3:aq-strength=1.6"
# Each picture that it looks ahead takes 44 MB of memory at 3840x2160.
HEVC[-1] += ":rc-lookahead=5:bframes=3"
# Where the usual way takes more than the recipe's rate there is grain all over the picture, and what matters is to keep
# some of it everywhere: small coefficients too, and no bits taken from there for the dark or for what lasts.
WITHIN_RATE = {
    "h264": ["-chromaoffset", "0", "-x264-params", "aq-mode=0:mbtree=0:deadzone-inter=0:deadzone-intra=0"],
}
# Filtering over time would mix photos. Fine grain is flattened, and put on again by the player, as strong as it was:
# without, slow gradients have steps (CAMBI 6.6 instead of 0).
AV1 = ["-c:v", "libsvtav1", "-svtav1-params", "lp=2:enable-tf=0:film-grain=8", "-preset", "4"]
VIDEO = {
    "h264": H264,
    "hevc": ["-tag:v", "hvc1", *HEVC],
    "av1": AV1,
    "prores": ["-c:v", "prores_ks", "-profile:v", "hq", "-vendor", "apl0"],
    "dnxhr": ["-c:v", "dnxhd", "-profile:v", "dnxhr_hqx"],
    "gif": ["-c:v", "gif", "-loop", "0"],
    "webp": ["-c:v", "libwebp_anim", "-loop", "0"],
    "avif": AV1,
}
QUALITY_OPTION = {"webp": "-quality"}
PIXELS = {
    ("h264", 8): "yuv420p",
    ("hevc", 8): "yuv420p",
    ("hevc", 10): "yuv420p10le",
    # SVT-AV1 knows 4:2:0 alone.
    ("av1", 8): "yuv420p",
    ("av1", 10): "yuv420p10le",
    ("avif", 8): "yuv420p",
    ("avif", 10): "yuv420p10le",
    ("prores", 10): "yuv422p10le",
    ("dnxhr", 10): "yuv422p10le",
    # Its 8 bits are a palette's; what is laid into it is finer.
    ("gif", 8): "rgb48le",
    ("webp", 8): "rgb24",
    ("jpeg", 8): "rgb24",
    ("tiff", 16): "rgb48le",
    ("exr", 16): "rgb48le",
}
# The weights of R'G'B' in luma, by what a picture is.
LUMA = {"bt709": colour.LUMA_BT709, "pq": colour.LUMINANCE_BT2020, "hlg": colour.LUMINANCE_BT2020}
# The index in front; a programme starts at one hour (common practice, no source).
MOVIE = ["-movflags", "+faststart"]
CONTAINER = {
    "mp4": [*MOVIE, "-f", "mp4"],
    "mov": [*MOVIE, "-timecode", "01:00:00:00", "-f", "mov"],
    "gif": ["-f", "gif"],
    "webp": ["-f", "webp"],
    "avif": ["-f", "avif"],
}
# SMPTE ST 2086, in 1/50000 of xy and 1/10000 cd/m2, green first: the light that the look's tone curve and BT.2020 leave
# possible.
RED, GREEN, BLUE = colour.BT2020
VOLUME = "".join(
    f"{name}({round(50000 * x)},{round(50000 * y)})"
    for name, (x, y) in {"G": GREEN, "B": BLUE, "R": RED, "WP": colour.D65}.items()
)
VOLUME += f"L({round(10000 * hdr.PEAK)},1)"


def signal(recipe):
    """How a recipe's pictures are encoded, a key of filters.SIGNALS."""
    in_rgb = recipe["colour"] == "srgb" and pixel_format(recipe).startswith("rgb")
    return "srgb in rgb" if in_rgb else recipe["colour"]


def pixel_format(recipe):
    """FFmpeg's name of the pictures that a recipe's encoder takes."""
    return PIXELS[recipe["codec"], recipe["depth"]]


def chain(recipe):
    """The filters from a master to what the recipe's encoder takes; none where that is its own."""
    return None if recipe["colour"] == "linear" else filters.chain(signal(recipe), pixel_format(recipe))


def arguments(recipe, tags, out):
    """FFmpeg's arguments from the encoder on. tags: metadata, {name: text}."""
    quality = [QUALITY_OPTION.get(recipe["codec"], "-crf"), recipe["quality"]] if recipe["quality"] is not None else []
    # To an encoder of R'G'B' the tags of Y'CbCr would be a wish to convert.
    tagged = ffmpeg.TAGS[recipe["colour"]] if signal(recipe) != "srgb in rgb" else []
    named = [part for name, text in tags.items() for part in ("-metadata", f"{name}={text}")]
    place = "topleft" if recipe["colour"] in filters.HDR else "left"
    siting = ["-chroma_sample_location", place] if pixel_format(recipe).startswith("yuv") else []
    within = WITHIN_RATE.get(recipe["codec"], []) if recipe["within"] else []
    encoder = [*VIDEO[recipe["codec"]], *within, *quality, *tagged, *siting]
    return [*encoder, *ffmpeg.REPEATABLE, *named, *CONTAINER[recipe["ending"]], out]


def raw_bytes(recipe):
    """How many bytes a raw picture of Y'CbCr has, as the recipe's encoder takes it."""
    width, height = recipe["size"]
    return width * height * (3 if "420" in pixel_format(recipe) else 4) // 2 * (recipe["depth"] + 7 >> 3)


def planes(recipe, picture):
    """Such a picture's (luma, blue, red), uint8 or uint16 (h, w) and narrower; picture: bytes."""
    width, height = recipe["size"]
    low = height // (2 if "420" in pixel_format(recipe) else 1)
    values = np.frombuffer(picture, np.uint8 if recipe["depth"] == 8 else np.uint16)
    luma, chroma = np.split(values, [width * height])
    return luma.reshape(height, width), *chroma.reshape(2, low, width // 2)


def from_ready(recipe, parts, tags, out, legally=False):
    """Encode the pictures that compose has laid ready, raw, in parts. legally: see from_master()."""
    _from_raw(recipe, ready_pictures(recipe["size"], parts), tags, out, legally)


def ready_pictures(size, parts):
    """The raw pictures of 4:2:0 and 8 bits in these files, one at a time."""
    for part in parts:
        with open(part, "rb") as pictures:
            while picture := pictures.read(size[0] * size[1] * 3 // 2):
                yield picture


def _from_raw(recipe, found, tags, out, legally, known=()):
    """Encode raw pictures of Y'CbCr, as bytes. known: further arguments of the input."""
    # Raw pictures say nothing of their pixels' shape.
    encoder = ["-vf", "setsar=1", *arguments(recipe, tags, out)]
    size, pixels, kind = recipe["size"], pixel_format(recipe), recipe["colour"]
    with ffmpeg.writer(size, pixels, recipe["rate"], *encoder, colour=kind, known=known) as write:
        for picture in found:
            if legally:
                luma, *chroma = planes(recipe, picture)
                picture = b"".join([luma, *legal.drawn_in(luma, *chroma, recipe["depth"], LUMA[kind])])
            write(picture)


def content_light(recipe, master):
    """(MaxCLL, MaxFALL) of a master of high dynamic range, cd/m2, or None of another."""
    kind = recipe["colour"]
    if kind not in filters.HDR:
        return None
    return hdr.content_light(ffmpeg.frames(master, recipe["size"], "rgb48le", filters.in_rgb(kind)), kind)


def from_master(recipe, master, tags, out, light=None, legally=False):
    """Encode a master. light: content_light(); legally: draw in what is beyond the legal levels
    (kerbwalk.legal).
    """
    if recipe["codec"] == "gif":
        from files import gif  # what compiles its loops takes a third of a second to load

        gif.write(recipe, functools.partial(pictures, recipe, master), arguments(recipe, tags, out))
        return
    known = ["-mastering_display", VOLUME, "-content_light", "{},{}".format(*light)] if light else []
    if legally:
        found = ffmpeg.raw_frames(master, raw_bytes(recipe), pixel_format(recipe), chain(recipe))
        _from_raw(recipe, found, tags, out, legally, known)
        return
    source = ffmpeg.source(master, "-r", recipe["rate"], *known, threads=1)
    ffmpeg.run(*source, "-vf", chain(recipe), *arguments(recipe, tags, out))


def pictures(recipe, master):
    """A master's pictures as those of the recipe: R'G'B', uint8 or uint16 (h, w, 3), one at a time; scene-linear ones
    are the bits of half floats.
    """
    return ffmpeg.frames(master, recipe["size"], pixel_format(recipe), chain(recipe))


def write_stills(codec, found, folder, xmp, about, rate):
    """Write pictures, uint16 (h, w, 3), as a numbered sequence, and read each back. Returns their number.

    codec: tiff (16 bits, sRGB, with its profile) or exr (half floats, scene-linear, with its chromaticities); xmp:
    rights.packet(), about: what it is made of, and rate: frames a second, for an EXR's own attributes. Raises
    StageError where one does not read back as it was.
    """
    (ending, write), count = {"tiff": ("tif", _tiff), "exr": ("exr", _exr)}[codec], 0
    for count, picture in enumerate(found, 1):
        path = Path(folder, f"{count:06d}.{ending}")
        if not np.array_equal(write(picture, path, xmp, about, rate), picture):
            raise StageError(f"{path.name} does not read back as it was written; check the disk, and start again")
    return count


def _tiff(picture, path, xmp, about, rate):
    tifffile.imwrite(path, picture, photometric="rgb", iccprofile=srgb_profile(), compression="zlib", metadata=None)
    rights.describe(path, "tif", xmp)
    return tifffile.imread(path)


def _exr(picture, path, xmp, about, rate):
    primaries = np.ravel((*colour.BT2020, colour.D65)).tolist()
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "chromaticities": tuple(primaries), "xmp": xmp.decode()}
    header["framesPerSecond"] = Fraction(rate)
    header |= {key: about[name] for key, name in (("owner", "rights"), ("comments", "title")) if about[name]}
    with OpenEXR.File(header, {"RGB": picture.view(np.float16)}) as file:
        file.write(str(path))
    with OpenEXR.File(str(path)) as file:
        return file.channels()["RGB"].pixels.view(np.uint16)


def write_jpeg(picture, quality, path):
    """Write a picture, uint8 (h, w, 3) in sRGB, as a JPEG without chroma subsampling."""
    with open(path, "wb") as file:
        Image.fromarray(picture).save(file, "JPEG", quality=int(quality), subsampling=0, icc_profile=srgb_profile())


@functools.cache
def srgb_profile():
    """An ICC profile of sRGB, always the same bytes: the library writes the day and hour into it."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    # ICC.1, table 17 (from memory): bytes 24 to 35 of the header are the date and time, two bytes each.
    profile[24:36] = b"".join(n.to_bytes(2, "big") for n in (1998, 1, 1, 0, 0, 0))
    return bytes(profile)


def utc(time, offset):
    """A moment of a camera's clock as FFmpeg takes it; without an offset (minutes) the clock is taken for UTC."""
    moment = datetime.datetime.fromisoformat(time) - datetime.timedelta(minutes=offset or 0)
    return moment.isoformat(timespec="seconds") + "Z"
