"""Check a shoot's photos and settle which of them make the clip.

Output audit.json
  findings   list of {code, severity: note|warning|fault, photos, value, limit, message}
  photos     file names of the photos that make the clip, in order
  reference  file name of the photo that carries look and framing
"""

import _workflow  # noqa: F401
import json

from files import stage
from kerbwalk import audit


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: reference, first, last, leave_out")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    photos = stage.read_json(args.ingest)["photos"]
    chosen = args.settings
    findings, kept = audit.audit(photos, chosen["first"], chosen["last"], chosen["leave_out"])
    if not kept:
        raise stage.StageError("no photo is left for the clip; check 'first', 'last' and 'leave_out' in the settings")
    reference = audit.reference(photos, kept, chosen["reference"])
    stage.write_json(args.out, {"findings": findings, "photos": kept, "reference": reference})


if __name__ == "__main__":
    stage.run(main)
