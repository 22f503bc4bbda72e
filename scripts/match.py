"""Take a look from a graded still: fit what was done to the reference photo, as one change for every frame.

Outputs
  out      the look with that change, a CLF file as look.py writes it
  cc       the change's ASC CDL part as a .cc file, for the BT.709 signal
  report   JSON: still; median and p95, CIEDE2000 of clip to still, both a little blurred; compared, the part of the
           picture that the still shows; sizes of both, pixels; resampling and JPEG are no part of the grade
  picture  PNG: the still in grey, red where no global change can follow it (from 2 CIEDE2000 on, full at 10)
"""

import _workflow  # noqa: F401
from pathlib import Path

import cv2
import numpy as np

from files import reference, stage, still
from files.look import processor, read_lut
from files.proxies import Proxies
from kerbwalk import difference, look, match
from kerbwalk import still as laid


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--look", required=True, help="the look that the still was graded from")
    parser.add_argument("--still", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--lens", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--frames", nargs="+", required=True)
    for name in ("out", "clf", "cc", "report", "picture"):
        parser.add_argument(f"--{name}", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    name, before = reference.read(args.audit, args.lens, args.proxies, args.frames)
    processor(args.look).applyRGB(before)
    graded = still.read(args.still)
    sizes = [[p.shape[1], p.shape[0]] for p in (before, graded)]
    try:
        before, graded, inside, resampled = laid.registered(before, graded)
    except ValueError as error:
        raise stage.StageError(
            f"{args.still}: the graded still {error} {name}; grade the reference.tif of this shoot"
        ) from None
    soft = laid.softened(graded)
    fitted = (laid.softened(before), soft) if resampled else (before, graded)
    cube, cdl = match.fit(*laid.pairs(*fitted, inside))
    steps = read_lut(args.look)
    steps.appendTransform(look.cube(cube))
    stage.write_text(args.out, look.text(steps, look.CTF))
    full = 65535 / Proxies(args.proxies).white
    stage.write_text(args.clf, look.text(look.in_clf(steps, full), look.CLF))
    stage.write_text(args.cc, look.cc_text(look.cdl_transform(**cdl)))
    changed = laid.softened(look.applied(look.cube(cube), before.reshape(-1, 3)).reshape(before.shape))
    apart = difference.ciede2000(difference.lab_of_signal(changed), difference.lab_of_signal(soft))
    median, high = np.percentile(apart[inside], [50, 95])
    stage.write_json(
        args.report,
        {
            "still": Path(args.still).name,
            "median": float(median),
            "p95": float(high),
            "compared": float(inside.mean()),
            "sizes": sizes,
        },
    )
    with stage.whole(args.picture) as temporary:
        cv2.imwrite(temporary, shown(graded, np.where(inside, apart, 0)))


def shown(graded, apart):
    """BGR, 8 bit: the still in grey with red laid over."""
    grey = 200 * graded.mean(axis=2)
    red = np.clip((apart - 2) / 8, 0, 1)
    return np.uint8(np.stack([grey * (1 - red), grey * (1 - red), grey + (255 - grey) * red], axis=-1))


if __name__ == "__main__":
    stage.run(main)
