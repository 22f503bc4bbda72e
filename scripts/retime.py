"""Give a picture's clip another pace.

Output
  out  warps.json as steady writes it, with other `frames`: those of the retimed clip, [photo name, share] each
"""

import _workflow  # noqa: F401
import json
from fractions import Fraction

from files import stage
from kerbwalk import retime


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"rate": "24/1", "pace": {...}}')
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    warps = stage.read_json(args.warps)
    frames = retime.retimed(warps["frames"], float(Fraction(args.settings["rate"])), args.settings["pace"])
    stage.write_json(args.out, warps | {"frames": frames})


if __name__ == "__main__":
    stage.run(main)
