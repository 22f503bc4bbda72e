"""Make the look: one transform from decoded frames to the display, for every frame of the shoot.

Output look.clf: a CLF file for OpenColorIO; its input is a decoded frame divided by 65535, its output the
BT.709 signal for a BT.1886 display. The steps are described in workflow/kerbwalk/look.py.
"""

import _workflow  # noqa: F401
import json

import numpy as np

from files import stage
from files.look import read_cdl
from files.proxies import Proxies
from kerbwalk import colour, look

# A neutral point is the mean of a square this wide, as a part of the picture's width.
PATCH = 0.02


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--audit", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--cdl", nargs="?", const=None, help="an ASC CDL .cc file")
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"look": {...}}')
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    settings = args.settings["look"]
    shoot = stage.read_json(args.ingest)
    name = stage.read_json(args.audit)["reference"]
    reference = next(p for p in shoot["photos"] if p["name"] == name)
    matrix = reference["matrix"] or np.eye(3).tolist()
    balance = wanted_balance(settings["white_balance"], reference, matrix, Proxies(args.proxies), shoot["balance"])
    change = np.asarray(balance) / np.asarray(shoot["balance"])
    cdl = read_cdl(args.cdl) if args.cdl else settings["cdl"] and look.cdl_transform(**settings["cdl"])
    steps = look.transform(matrix, change, settings, cdl)
    stage.write_text(args.out, look.clf_text(steps, "kerbwalk look"))


def wanted_balance(white_balance, reference, matrix, proxies, decoded_balance):
    """White-balance multipliers (green = 1) that the settings ask for."""
    if white_balance == "as_shot":
        return reference["neutral"] or decoded_balance
    if "kelvin" in white_balance:
        xyz = colour.xy_to_xyz(colour.white_from_kelvin(white_balance["kelvin"], white_balance.get("tint", 0.0)))
        return colour.multipliers_from_white(xyz, reference["daylight"] or [1, 1, 1], matrix)
    light, clipped = proxies.light(reference["name"])
    height, width = clipped.shape
    x, y = (f * n for f, n in zip(white_balance["neutral"], (width, height), strict=True))
    half = max(1, PATCH * width / 2)
    area = np.s_[max(0, int(y - half)) : int(y + half) + 1, max(0, int(x - half)) : int(x + half) + 1]
    if clipped[area].any() or light[area].mean() < 50:
        raise stage.StageError(
            f"look.white_balance.neutral {white_balance['neutral']} of {reference['name']} is "
            f"{'blown out' if clipped[area].any() else 'black'} there; choose a grey that is well lit but not clipped"
        )
    mean = light[area].mean(axis=(0, 1), dtype=np.float64)
    return np.asarray(decoded_balance) * mean[1] / mean


if __name__ == "__main__":
    stage.run(main)
