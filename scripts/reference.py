"""Write the reference photo for the photographer to grade.

Output reference.tif: the whole photo at the working size under the look's settings, upright, in 16-bit sRGB with its
profile; the lens's vignetting is taken out, as in the clip, its distortion is not.
"""

import _workflow  # noqa: F401

from files import reference, stage, still
from files.look import processor


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--look", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--lens", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--frames", nargs="+", required=True)
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    _, signal = reference.read(args.audit, args.lens, args.proxies, args.frames)
    processor(args.look).applyRGB(signal)
    with stage.whole(args.out) as temporary:
        still.write_reference(temporary, signal)


if __name__ == "__main__":
    stage.run(main)
