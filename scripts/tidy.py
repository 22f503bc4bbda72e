"""Free the working frames of a finished shoot. A later change of the look or the like decodes its photos again.

Output tidied.json
  freed    bytes
  kept     why nothing was freed, or null
"""

import _workflow  # noqa: F401
from pathlib import Path

from files import frames, stage


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--shoot", required=True, help="the shoot's folder of results")
    parser.add_argument("--clips", nargs="+", required=True, help="what makes it a finished one")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    missing = [clip for clip in args.clips if not Path(clip).exists()]
    files = [] if missing else frames.kept_frames(args.shoot)
    freed = sum(file.stat().st_size for file in files)
    for file in files:
        file.unlink()
    stage.write_json(args.out, {"freed": freed, "kept": f"{missing[0]} is not made yet" if missing else None})


if __name__ == "__main__":
    stage.run(main)
