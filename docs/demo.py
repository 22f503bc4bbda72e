"""Make the README's picture from the demo's results: photos as taken above, the clip's frames below."""

import argparse
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "workflow")]

import _workflow  # noqa: E402, F401

import cv2  # noqa: E402
import numpy as np  # noqa: E402

from files import decoded, ffmpeg, stage  # noqa: E402
from files.look import processor  # noqa: E402
from files.proxies import Proxies  # noqa: E402
from files.warps import read_warps  # noqa: E402

WIDTH, HEIGHT = 640, 360
GAP = 8


def main():
    parser = stage.parser(__doc__)
    parser.formatter_class = argparse.ArgumentDefaultsHelpFormatter
    parser.add_argument("--shoot", type=Path, default=ROOT / "demo-night" / "results" / "tram-square")
    args = parser.parse_args()

    warps = read_warps(args.shoot / "work" / "warps.json")
    count = len(warps["frames"])
    chosen = [count // 10, count // 2, count - 1 - count // 10]
    look = processor(args.shoot / "work" / "look.ctf")
    before = [taken(args.shoot, warps["frames"][k][0][0], look) for k in chosen]
    clip = args.shoot / f"{args.shoot.name}_hd.mp4"
    filters = f"scale={WIDTH}:{HEIGHT}:flags=area"
    after = [f for k, f in enumerate(ffmpeg.frames(clip, (WIDTH, HEIGHT), filters=filters)) if k in chosen]
    rows = [np.hstack([np.pad(picture, ((0, GAP), (0, GAP), (0, 0)), constant_values=255) for picture in row])
            for row in (before, after)]  # fmt: skip
    cv2.imwrite(str(ROOT / "docs" / "demo.jpg"), np.vstack(rows)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 85])


def taken(shoot, name, look):
    """A photo under the look alone, its middle part in the clip's aspect."""
    path, place = Proxies(sorted((shoot / "work" / "proxies").glob("*.npz"))).place(name)
    frame = decoded.read(shoot / "work" / "decoded" / f"{Path(path).stem}.npy", place)
    height = frame.shape[1] * HEIGHT // WIDTH
    top = (frame.shape[0] - height) // 2
    rgb = cv2.resize(frame[top : top + height], (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    rgb = np.ascontiguousarray(rgb, np.float32) / 65535
    look.applyRGB(rgb)
    return np.rint(rgb * 255).astype(np.uint8)


if __name__ == "__main__":
    main()
