"""Show the reference photo under every look on one labelled sheet, to choose by eye.

Output contact.png: 8-bit sRGB; the first picture is the shoot's own look.
"""

import _workflow  # noqa: F401
import math
from pathlib import Path

import cv2
import numpy as np

from files import stage
from files.look import processor
from files.proxies import Proxies
from kerbwalk import still

WIDTH, MARGIN, LABEL = 640, 16, 40


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--looks", nargs="+", required=True, help="CLF files, each named as its look")
    parser.add_argument("--audit", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--frames", nargs="+", required=True)
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    name = stage.read_json(args.audit)["reference"]
    frame = Proxies(args.proxies).frame(name, dict(zip(args.proxies, args.frames, strict=True)))
    frame = still.reduced(frame, min(1.0, WIDTH / frame.shape[1]))[0]
    with stage.whole(args.out) as temporary:
        cv2.imwrite(temporary, sheet([(Path(path).name.partition(".")[0], seen(frame, path)) for path in args.looks]))


def seen(frame, path):
    """The frame under a look, BGR, 8 bit."""
    signal = frame.copy()
    processor(path).applyRGB(signal)
    # The signal of a BT.1886 display as it is: next to sRGB's own curve nobody sees a difference in a choice.
    return np.uint8(np.rint(255 * np.clip(signal[..., ::-1], 0, 1)))


def sheet(pictures):
    """The pictures in rows, each with its name below; (name, picture) all of one size."""
    columns = math.ceil(math.sqrt(len(pictures)))
    height, width = pictures[0][1].shape[:2]
    step_y, step_x = height + LABEL + MARGIN, width + MARGIN
    rows = -(-len(pictures) // columns)
    page = np.full((rows * step_y + MARGIN, columns * step_x + MARGIN, 3), 24, np.uint8)
    for k, (name, picture) in enumerate(pictures):
        y, x = MARGIN + k // columns * step_y, MARGIN + k % columns * step_x
        page[y : y + height, x : x + width] = picture
        place = (x, y + height + LABEL - 12)
        cv2.putText(page, name, place, cv2.FONT_HERSHEY_SIMPLEX, 0.8, (225, 225, 225), 1, cv2.LINE_AA)
    return page


if __name__ == "__main__":
    stage.run(main)
