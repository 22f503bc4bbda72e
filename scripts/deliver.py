"""Encode a deliverable from the master.

hd: H.264 High, 4:2:0 in 8 bits, BT.709 in matrix, primaries, transfer and range, the index in front (faststart).
Chroma is sited left, as H.264 assumes; the step from 10 to 8 bits is dithered, so that night skies do not band.
"""

import json

import _workflow  # noqa: F401
from files import ffmpeg, stage
from house.settings import frame_rate

# Two threads whatever the machine: the encoder's result depends on their number.
H264 = ["-c:v", "libx264", "-profile:v", "high", "-preset", "medium", "-crf", "16", "-threads", "2"]
TO_420 = (
    "zscale=matrix=709:matrixin=709:range=limited:rangein=limited:chromal=left:dither=error_diffusion,"
    "format=yuv420p,setsar=1"
)


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--master", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"fps": 24}')
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    rate = frame_rate(args.settings["fps"])
    with stage.whole(args.out) as temporary:
        source = ["-r", rate, "-i", args.master, "-map", "0:v", "-vf", TO_420]
        container = ["-movflags", "+faststart", "-f", "mp4"]
        ffmpeg.run(*source, *H264, *ffmpeg.BT709_TAGS, *ffmpeg.REPEATABLE, *container, temporary)


if __name__ == "__main__":
    stage.run(main)
