"""Find what the shoot's lens does to its photos: by the settings, or by Lensfun's database through the EXIF.

Output lens.json
  name        of the lens in Lensfun's database, or null
  note        null, or a sentence: why nothing is known of the lens
  middle, radius, distortion, lateral, vignetting: see workflow/kerbwalk/lens.py
"""

import _workflow  # noqa: F401
import json

from files import stage
from kerbwalk import ingest, lens

KNOWN = ("distortion", "lateral", "vignetting")


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"lens": ...}')
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    photos = [p for p in stage.read_json(args.ingest)["photos"] if not p["problem"]]
    size, wanted = ingest.common_size(photos), args.settings["lens"]
    name, note, found = None, None, lens.plain(size)
    if wanted == "auto":
        name, note, found = known(photos, size)
    elif wanted != "none":
        found |= wanted
        try:
            lens.check(found)
        except ValueError as error:
            raise stage.StageError(f"'lens' in the settings: {error}; check its numbers and their units") from None
    stage.write_json(args.out, {"name": name, "note": note, **found})


def known(photos, size):
    """(name, note, lens) of most of the photos."""
    # Imported where it is used: most of the time that this stage takes.
    from files import lensfun

    camera, lens_name, focal, aperture = (
        ingest.usual([p[key] for p in photos]) for key in ("camera", "lens", "focal", "aperture")
    )
    try:
        name, found = lensfun.find(camera, lens_name, focal, aperture, size)
        lens.check(found)
    except (LookupError, ValueError) as error:
        note = (
            f"the lens is left as it is: {error}; if its distortion or vignetting shows, give its numbers under 'lens' "
            "in the settings"
        )
        return None, note, lens.plain(size)
    return name, None, found


if __name__ == "__main__":
    stage.run(main)
