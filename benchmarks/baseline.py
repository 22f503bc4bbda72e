"""The plain way to the same clip, as a measure of speed: LibRaw as it comes, and FFmpeg's own filters.

Photos are decoded one after the other with LibRaw's defaults to 8-bit sRGB and piped to FFmpeg at their full size:
deflicker and vidstabdetect; then, decoded and piped once more, deflicker, vidstabtransform, a cut to 16:9 at 1920
pixels, and H.264 by the same encoder settings as Kerbwalk's. With --kept the first pass keeps its pictures losslessly
for the second, which is less plain and quicker. No common white balance, no hold point, no look; it is not meant to be
good.

usage: baseline.py SHOOT CLIP [--fps N] [--kept]
"""

import argparse
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

import imageio_ffmpeg
import rawpy

ENCODER = [
    "-c:v",
    "libx264",
    "-profile:v",
    "high",
    "-preset",
    "faster",
    "-trellis",
    "0",
    "-crf",
    "15",
    "-movflags",
    "+faststart",
]


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("shoot", type=Path, help="folder of raw photos")
    parser.add_argument("clip", type=Path, help="the MP4 file to write")
    parser.add_argument("--fps", default="24")
    parser.add_argument("--kept", action="store_true", help="decode each photo once, and keep it losslessly")
    options = parser.parse_args()
    photos = sorted(options.shoot.glob("*.dng"))
    chain = "vidstabtransform=input=motion.trf,scale=1920:-2,crop=1920:1080"
    clip = [*ENCODER, str(options.clip.resolve())]
    with TemporaryDirectory(dir=options.clip.parent) as folder:
        seen = ["-map", "[out]", "-f", "null", "-"]
        if options.kept:
            graph = "deflicker,format=yuv420p,split[even][seen];[seen]vidstabdetect=result=motion.trf[out]"
            kept = ["-map", "[even]", "-c:v", "libx264", "-preset", "ultrafast", "-qp", "0", "even.mkv"]
            pipe(photos, options.fps, folder, ["-filter_complex", graph, *kept, *seen])
            subprocess.run(ffmpeg(["-i", "even.mkv", "-vf", chain, *clip]), cwd=folder, check=True)
        else:
            detect = "deflicker,format=yuv420p,vidstabdetect=result=motion.trf[out]"
            pipe(photos, options.fps, folder, ["-filter_complex", detect, *seen])
            pipe(photos, options.fps, folder, ["-vf", f"deflicker,format=yuv420p,{chain}", *clip])


def pipe(photos, fps, folder, arguments):
    """Decode the photos into FFmpeg."""
    height, width, _ = decoded(photos[0]).shape
    source = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{width}x{height}", "-r", fps, "-i", "-"]
    with subprocess.Popen(ffmpeg([*source, *arguments]), cwd=folder, stdin=subprocess.PIPE) as process:
        for photo in photos:
            process.stdin.write(decoded(photo).data)
        process.stdin.close()
    if process.returncode:
        raise SystemExit("baseline: FFmpeg stopped")


def decoded(photo):
    with rawpy.imread(str(photo)) as raw:
        return raw.postprocess()


def ffmpeg(arguments):
    return [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-loglevel", "error", "-y", *arguments]


if __name__ == "__main__":
    main()
