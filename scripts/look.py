"""Make the look: one transform from decoded frames to the display, for every frame of the shoot.

Outputs
  out  a CTF file, OpenColorIO's own format; its input is a decoded frame divided by its white (see decode.py), its
       output the BT.709 signal for a BT.1886 display (look.ctf), linear light of BT.2020's primaries, 1 at diffuse
       white, on a display of high dynamic range (hdr.ctf), or graded scene light of BT.2020's primaries (linear.ctf);
       the steps are described in workflow/kerbwalk/look.py
  clf  the same for other programs: to the same numbers, or, with a view of an OpenColorIO config, as nearly as CLF can
  cc   the look's ASC CDL as a .cc file, one that changes nothing where the look has none
clf and cc are made where they are asked for.
"""

import _workflow  # noqa: F401
import json

import numpy as np

from files import stage
from files.look import display_view, read_cdl, read_lut
from files.proxies import Proxies
from kerbwalk import camera, colour, hdr, look

# A neutral point is the mean of a square this wide, as a part of the picture's width.
PATCH = 0.02
# What a look gives, as its file says it.
GIVES = {
    "signal": "BT.709 R'G'B' for a BT.1886 display",
    "light": f"linear light, BT.2020 primaries, 1 at {hdr.WHITE:g} cd/m2, at most {hdr.PEAK:g} cd/m2",
    "scene": "scene-linear light, BT.2020 primaries, mid grey at 0.18",
}


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--cdl", nargs="?", const=None, help="an ASC CDL: .cc, .ccc or .cdl")
    parser.add_argument("--lut", nargs="?", const=None, help="a .cube or .clf for the finished signal")
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"look": {...}}')
    parser.add_argument("--display", nargs="?", const=None, help="the OpenColorIO config, where it is a file")
    parser.add_argument("--gives", choices=GIVES, default="signal")
    parser.add_argument("--out", required=True)
    parser.add_argument("--clf")
    parser.add_argument("--cc")
    args = parser.parse_args()

    settings = args.settings["look"]
    shoot = stage.read_json(args.ingest)
    name = stage.read_json(args.audit)["reference"]
    reference = next(p for p in shoot["photos"] if p["name"] == name)
    balance = np.asarray(shoot["balance"])
    # A file without a matrix: its balanced RGB is taken for BT.709, as the audit says.
    matrix = reference["matrix"] or {"kelvin": [6504], "xyz_to_camera": [colour.XYZ_TO_BT709 / balance[:, None]]}
    white = wanted_white(settings["white_balance"], reference, matrix, Proxies(args.proxies), balance)
    to_working = 2.0 ** reference.get("exposure", 0.0) * camera.to_working(matrix, white) / balance
    cdl = read_cdl(args.cdl) if args.cdl else settings["cdl"] and look.cdl_transform(**settings["cdl"])
    full = balance.max() / balance.min()
    if args.gives == "scene":
        steps = look.grade(to_working, settings, cdl)
    elif args.gives == "light":
        steps = look.to_light(to_working, settings, cdl, full, hdr.TOP)
    elif settings["display"]:
        to_display = display_view(**(settings["display"] | ({"config": args.display} if args.display else {})))
        steps = look.through_view(to_working, settings, cdl, to_display)
    else:
        steps = look.transform(to_working, settings, cdl, full)
    if args.lut and args.gives == "signal":
        steps.appendTransform(read_lut(args.lut))
    stage.write_text(args.out, look.text(steps, look.CTF, output=GIVES[args.gives]))
    if args.clf:
        stage.write_text(args.clf, look.text(look.in_clf(steps, full), look.CLF, output=GIVES[args.gives]))
    if args.cc:
        stage.write_text(args.cc, look.cc_text(cdl or look.cdl_transform()))


def wanted_white(white_balance, reference, matrix, proxies, decoded_balance):
    """The chromaticity xy of the light that the settings want to be white."""
    if "kelvin" in white_balance:
        return colour.white_from_kelvin(white_balance["kelvin"], white_balance.get("tint", 0.0))
    neutral = 1 / np.asarray(reference["neutral"] or decoded_balance)
    if white_balance != "as_shot":
        neutral = mean_of(white_balance["neutral"], reference["name"], proxies) / decoded_balance
    try:
        return camera.white_of(matrix, neutral)
    except ValueError as error:
        raise stage.StageError(
            f"look.white_balance {white_balance} of {reference['name']}: {error}; set a temperature in kelvin instead"
        ) from None


def mean_of(point, name, proxies):
    """Mean balanced camera RGB of a small square about a point of a photo, given in fractions."""
    light, clipped = proxies.light(name)
    height, width = clipped.shape
    x, y = (f * n for f, n in zip(point, (width, height), strict=True))
    half = max(1, PATCH * width / 2)
    area = np.s_[max(0, int(y - half)) : int(y + half) + 1, max(0, int(x - half)) : int(x + half) + 1]
    if clipped[area].any() or light[area].mean() < 50:
        raise stage.StageError(
            f"look.white_balance.neutral {point} of {name} is {'blown out' if clipped[area].any() else 'black'} there; "
            "choose a grey that is well lit but not clipped"
        )
    return light[area].mean(axis=(0, 1), dtype=np.float64)


if __name__ == "__main__":
    stage.run(main)
