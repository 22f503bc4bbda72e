"""Join the composed parts into the master, and take the hash of every frame by decoding it again.

Outputs
  master.mkv       FFV1 (RFC 9043), 10-bit Y'CbCr 4:4:4, BT.709 tags, at the clip's frame rate
  master.framemd5  one MD5 a frame of the decoded picture, in FFmpeg's framemd5 format
"""

import json
from pathlib import Path

import _workflow  # noqa: F401
from files import ffmpeg, stage
from house.settings import frame_rate


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--parts", nargs="+", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"fps": 24}')
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--master", required=True)
    parser.add_argument("--hashes", required=True)
    args = parser.parse_args()

    rate = frame_rate(args.settings["fps"])
    # The list lies beside the parts and names them alone, so that no path has to be escaped.
    listing = Path(args.parts[0]).with_name("parts.txt")
    with stage.whole(listing) as temporary:
        names = [Path(part).name for part in args.parts if Path(part).stat().st_size]
        Path(temporary).write_text("".join(f"file {name}\n" for name in names), encoding="utf-8")
    with stage.whole(args.master) as temporary:
        joined = ["-r", rate, "-f", "concat", "-i", listing, "-c", "copy", "-r", rate]
        ffmpeg.run(*joined, *ffmpeg.BT709_TAGS, *ffmpeg.REPEATABLE, "-f", "matroska", temporary)
        with stage.whole(args.hashes) as hashes:
            decoded = ["-threads", args.threads, "-r", rate, "-i", temporary, "-map", "0:v"]
            ffmpeg.run(*decoded, "-fflags", "+bitexact", "-f", "framemd5", hashes)


if __name__ == "__main__":
    stage.run(main)
