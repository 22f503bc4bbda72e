"""Make the sheet of looks: the reference photo under the shoot's own look and under each of config/looks.

Outputs
  contact.png   the pictures in rows, each with its number and name
  contact.html  the same as a page: a click on a picture copies its line for shoot.yaml
"""

import _workflow  # noqa: F401
import json
import math
from pathlib import Path

import cv2
import numpy as np

from files import pages, reference, stage
from files.look import processor
from house.named_files import LOOK_ENDINGS
from kerbwalk import still

WIDTH, MARGIN, LABEL = 640, 16, 40


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--looks", nargs="+", required=True, help="CTF files, each named as its look")
    parser.add_argument("--audit", required=True)
    parser.add_argument("--lens", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--frames", nargs="+", required=True)
    parser.add_argument("--name", required=True, help="the shoot's name")
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"look": {...}}')
    parser.add_argument("--out", required=True)
    parser.add_argument("--page", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    name, frame = reference.read(args.audit, args.lens, args.proxies, args.frames)
    frame = still.reduced(frame, min(1.0, WIDTH / frame.shape[1]))[0]
    looks = [(Path(path).name.removesuffix(".ctf"), seen(frame, path)) for path in args.looks]
    with stage.whole(args.out) as temporary:
        cv2.imwrite(temporary, sheet(looks))
    shown = [
        {"name": titled(look), "line": line(look, args.settings["look"]), "picture": pages.picture(picture[..., ::-1])}
        for look, picture in looks
    ]
    stage.write_text(args.page, pages.render("contact.html", name=args.name, reference=name, looks=shown))


def titled(look):
    """What a look is called. look: the name of its file, or "plain" for the shoot's own."""
    return "as it is" if look == "plain" else Path(look).stem


def line(look, own):
    """The line of settings that takes a look.

    own: the shoot's own settings of the look, which plain keeps; what a look has not is put out, as it would be added.
    """
    kind = "lut" if Path(look).suffix in LOOK_ENDINGS["lut"] else "cdl"
    chosen = {"cdl": own["cdl"], "lut": own["lut"]} if look == "plain" else {kind: look}
    table = {key: chosen.get(key) for key in ("cdl", "lut", "match") if chosen.get(key) or own[key]} or {"cdl": None}
    return pages.line({"look": table})


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
    for k, (look, picture) in enumerate(pictures):
        y, x = MARGIN + k // columns * step_y, MARGIN + k % columns * step_x
        page[y : y + height, x : x + width] = picture
        place = (x, y + height + LABEL - 12)
        text = f"{k + 1} {titled(look)}"
        cv2.putText(page, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.8, (225, 225, 225), 1, cv2.LINE_AA)
    return page


if __name__ == "__main__":
    stage.run(main)
