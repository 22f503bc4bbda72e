"""Check a shoot's photos and settle which of them make the clip.

Output audit.json
  findings   list of {code, severity: note|warning|fault, photos, value, limit, message}; the codes are in
             DEVELOPERS.md, the limits in the settings
  photos     file names of the photos that make the clip, in order
  reference  file name of the photo that carries look and framing
"""

import _workflow  # noqa: F401
import json

import cv2
import numpy as np

from files import stage
from files.proxies import Stack
from kerbwalk import audit, neighbours


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--glance", required=True)
    parser.add_argument("--lone-jpegs", type=json.loads, default=[], help="JSON: pictures without a raw file")
    parser.add_argument(
        "--settings", required=True, type=json.loads, help="JSON: reference, first, last, leave_out, split, audit"
    )
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    cv2.setNumThreads(1)
    shoot, settings = stage.read_json(args.ingest), args.settings
    seen = look(args.glance, shoot, settings["audit"])
    findings, kept = audit.audit(shoot, seen, settings, args.lone_jpegs)
    faults = [f for f in findings if f["severity"] == "fault"]
    if faults and settings["audit"]["faults"] == "stop":
        raise stage.StageError(
            f"{len(faults)} fault{'s' if len(faults) > 1 else ''} in the photos, and audit.faults is 'stop'; the "
            f"first: {faults[0]['message']}"
        )
    if wrong := audit.too_few(shoot, kept, settings):
        raise stage.StageError(wrong)
    reference = audit.reference(shoot["photos"], kept, findings, settings["reference"])
    stage.write_json(args.out, {"findings": findings, "photos": kept, "reference": reference})


def look(path, shoot, limits):
    """What the photos' small pictures tell of each against its neighbours, in the order taken."""
    with np.load(path) as file:
        names, detail = [str(n) for n in file["names"]], file["detail"]
    small = Stack(path, "small")
    levels = {p["name"]: p["glance"]["level"] for p in shoot["photos"] if p["glance"]}
    levels = np.array([levels[name] for name in names])
    aims = neighbours.aims(small)
    return {
        "names": names,
        "aims": aims,
        "sharpness": neighbours.sharpness(detail, neighbours.levels(small)),
        "covered": neighbours.covered(small, aims),
        "contrast": neighbours.contrast(detail, levels),
        "drift": neighbours.drift(neighbours.leans(small)),
        "alike": neighbours.alike(small, aims),
        "spots": neighbours.spots(small, aims, limits["dust"]),
    }


if __name__ == "__main__":
    stage.run(main)
