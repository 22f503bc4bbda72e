"""Make the demo's raw photos and their truth: OUT/shoots/<name>/*.dng and OUT/truth/<name>.json."""

import argparse
import os
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from demo.shoots import STANDARD, make


def size(text: str) -> tuple[int, int]:
    """WxH, both even (the sensor's colours come in blocks of 2x2)."""
    try:
        width, height = (int(side) for side in text.lower().split("x"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected WxH such as 2400x1600, got {text!r}") from None
    if width % 2 or height % 2 or min(width, height) < 64:
        raise argparse.ArgumentTypeError(f"expected even sides of at least 64, got {text!r}")
    return width, height


def count(text: str) -> int:
    """A whole number of at least 1."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"expected a whole number of at least 1, got {text!r}")
    return int(text)


def main() -> None:
    names = [spec.name for spec in STANDARD]
    parser = argparse.ArgumentParser("./scripts/demo", description=__doc__)
    parser.add_argument("out", type=Path, metavar="OUT", help="folder to write to")
    parser.add_argument("--frames", type=count, metavar="N", help="photos in every shoot")
    parser.add_argument("--size", type=size, metavar="WxH", help="size of every photo, pixels")
    parser.add_argument("--only", choices=names, help="make only this shoot")
    parser.add_argument("--jobs", type=count, default=os.cpu_count(), help="processes (default: one a core)")
    parser.add_argument("--seed", type=count, help="another town, other chances")
    options = parser.parse_args()
    changes = {key: getattr(options, key) for key in ("frames", "size", "seed") if getattr(options, key)}
    for spec in STANDARD:
        if options.only in (None, spec.name):
            make(options.out, replace(spec, **changes), options.jobs)
            print(options.out / "shoots" / spec.name)


if __name__ == "__main__":
    main()
