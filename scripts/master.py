"""Join the composed parts, and the hashes of their frames, into the master.

Outputs
  master.mkv       FFV1 (RFC 9043), 10-bit Y'CbCr 4:4:4, tagged, at the clip's frame rate; of scene-linear pictures
                   16-bit G'B'R' planes that hold the bits of half floats
  master.framemd5  one MD5 a frame of the picture that went into the encoder, in FFmpeg's framemd5 format: what
                   `ffmpeg -i master.mkv -f framemd5 -` prints, but for the lines that begin
                   with #, for as long as the master is whole
"""

import _workflow  # noqa: F401
import json
from fractions import Fraction
from pathlib import Path

from files import ffmpeg, stage
from house.settings import frame_rate
from kerbwalk import master


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--parts", nargs="+", required=True)
    parser.add_argument("--part-hashes", nargs="+", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"fps": 24}')
    parser.add_argument("--shows", choices=ffmpeg.TAGS, default="bt709")
    parser.add_argument("--master", required=True)
    parser.add_argument("--hashes", required=True)
    args = parser.parse_args()

    rate = Fraction(frame_rate(args.settings["fps"]))
    with stage.whole(args.hashes) as hashes:
        texts = [Path(part).read_text(encoding="ascii") for part in args.part_hashes]
        Path(hashes).write_text(master.joined_hashes(texts, rate), encoding="ascii")
    # The list lies beside the parts and names them alone, so that no path has to be escaped.
    with stage.whole(Path(args.parts[0]).with_name("parts.txt")) as listing, stage.whole(args.master) as temporary:
        names = [Path(part).name for part in args.parts if Path(part).stat().st_size]
        Path(listing).write_text("".join(f"file {name}\n" for name in names), encoding="utf-8")
        # The parts' own time stamps are of no particular rate: the frames are counted through.
        stamps = f"setts=ts=N:duration=1:time_base={rate.denominator}/{rate.numerator}"
        joined = ["-f", "concat", "-i", listing, "-c", "copy", "-bsf:v", stamps, "-r", rate]
        ffmpeg.run(*joined, *ffmpeg.TAGS[args.shows], *ffmpeg.REPEATABLE, "-f", "matroska", temporary)


if __name__ == "__main__":
    stage.run(main)
