"""The plain way to the same clip, as a measure of speed: LibRaw as it comes, and FFmpeg's own filters.

Photos are decoded one after the other with LibRaw's defaults to 8-bit sRGB and piped to FFmpeg at their full size:
deflicker and vidstabdetect, kept losslessly; then vidstabtransform, a cut to 16:9 at 1920 pixels, and H.264 by the same
encoder settings as Kerbwalk's. No common white balance, no hold point, no look; it is not meant to be good.

usage: baseline.py SHOOT CLIP [--fps N]
"""

import argparse
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

import imageio_ffmpeg
import rawpy


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("shoot", type=Path, help="folder of raw photos")
    parser.add_argument("clip", type=Path, help="the MP4 file to write")
    parser.add_argument("--fps", default="24")
    options = parser.parse_args()
    photos = sorted(options.shoot.glob("*.dng"))
    with TemporaryDirectory(dir=options.clip.parent) as folder:
        detect(photos, options.fps, folder)
        transform(options.clip.resolve(), folder)


def detect(photos, fps, folder):
    """Decode; write the evened pictures to even.mkv and their motion to motion.trf."""
    height, width, _ = decoded(photos[0]).shape
    source = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{width}x{height}", "-r", fps, "-i", "-"]
    graph = "deflicker,format=yuv420p,split[even][seen];[seen]vidstabdetect=result=motion.trf[out]"
    outputs = ["-map", "[even]", "-c:v", "libx264", "-preset", "ultrafast", "-qp", "0", "even.mkv"]
    command = ffmpeg([*source, "-filter_complex", graph, *outputs, "-map", "[out]", "-f", "null", "-"])
    with subprocess.Popen(command, cwd=folder, stdin=subprocess.PIPE) as process:
        for photo in photos:
            process.stdin.write(decoded(photo).data)
        process.stdin.close()
    if process.returncode:
        raise SystemExit("baseline: FFmpeg stopped in its first pass")


def transform(clip, folder):
    """Stabilise, cut to 16:9 and encode."""
    chain = "vidstabtransform=input=motion.trf,scale=1920:-2,crop=1920:1080"
    encoder = ["-c:v", "libx264", "-profile:v", "high", "-preset", "veryfast", "-crf", "15", "-movflags", "+faststart"]
    subprocess.run(ffmpeg(["-i", "even.mkv", "-vf", chain, *encoder, str(clip)]), cwd=folder, check=True)


def decoded(photo):
    with rawpy.imread(str(photo)) as raw:
        return raw.postprocess()


def ffmpeg(arguments):
    return [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-loglevel", "error", "-y", *arguments]


if __name__ == "__main__":
    main()
