"""Make a draft of a shoot: the whole line at a quarter of the size or less, in one process.

Each photo is read once, and its picture averaged straight from the sensor's mosaic, without a dark frame and without
mending; the audit looks at metadata and light alone. Then each stage's own script runs with the shoot's settings, but
without local shifts and without a graded still, and a third of the corners are followed. Everything lies in
the draft's own folder, and no stage of the line reads from there.
Outputs
  draft.mp4     the clip, fitted inside 640 x 360
  report.html   its report
  contact.html  the reference photo under each look of config/looks, and contact.png, its pictures
  work/         what the stages leave (their formats: the stages' own scripts)
"""

import _workflow  # noqa: F401
import ctypes
import functools
import importlib.util
import itertools
import json
import multiprocessing
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from files import decoded, encoders, ffmpeg, stage
from files.photo import read_reduced
from files.proxies import write as write_proxies
from files.reporting import clip as clip_measures
from house.settings import frame_rate, ratio
from kerbwalk import audit, cameras, decode, draft, edges, highlights, ingest, light, registration
from kerbwalk.deliver import output_size
from kerbwalk.proxies import proxies

SCRIPTS = Path(__file__).resolve().parent
STAGES = ("lens", "look", "follow", "track", "steady", "light", "framing", "compose", "contact", "report")
# Photos that are reduced, and wait in memory to be written, together.
TOGETHER = 10
# Parts of the clip that are composed side by side: always as many, whatever the number of cores.
PARTS = 2
# Corners that are followed in a photo: a third of what the line follows, in a third of the time, by patches of about as
# much of the photo. Shifts are sought in pictures of a third of the size.
registration.FEATURES, registration.WINDOW, registration.COARSE_WIDTH = 300, 9, draft.SIDE // 3
# Local shifts are not made, so that no edges are needed which they must keep straight.
edges.found = lambda picture: np.zeros((0, 2, 2))
# Cameras go on only while a step takes so much of the cost: a quarter of a pixel is not seen at this size.
cameras.SETTLED = 0.01
# By the hold point's surroundings the report tells how still it stands: by twice as much of the clip as in a large one.
clip_measures.PATCH = 80
# Links over several photos and the finest flow better drifts and the faint lights of passing buses: not seen at this
# size.
light.LONG, light.FINEST = (), 2


def main():
    parser = stage.parser(__doc__)
    for name in ("name", "page", "clip"):
        parser.add_argument(f"--{name}", required=True)
    parser.add_argument("--photos", nargs="+", required=True)
    parser.add_argument("--names", required=True, type=json.loads, help="JSON: the photos' file names")
    parser.add_argument("--settings", required=True, type=json.loads, help="JSON: all the shoot's settings")
    parser.add_argument("--origins", required=True, type=json.loads, help="JSON: {setting: where it comes from}")
    for name in ("cdl", "lut", "display"):
        parser.add_argument(f"--{name}", nargs="?", const=None)
    parser.add_argument("--shelf", nargs="*", default=[], help="looks to choose from: CDLs, .cube and .clf files")
    parser.add_argument("--threads", type=int, default=1)
    args = parser.parse_args()

    folder = Path(args.page).parent
    work = folder / "work"
    settings = args.settings | {"steady": args.settings["steady"] | {"parallax": False}}
    size = list(output_size(draft.BOX, ratio(settings["aspect"])))
    line = Line(work)
    parts = line.timed("reading", lambda: take_in(args, work))
    photos = {"ingest": work / "ingest.json", "audit": work / "audit.json", "proxies": parts["proxies"]}
    files = {"cdl": args.cdl, "lut": args.lut, "display": args.display}

    def chosen(*keys):
        return {key: settings[key] for key in keys}

    look, warps, framing = work / "plain.ctf", work / "warps.json", work / "framing.json"
    gains, found = work / "gains.csv", work / "light.json"
    track, sights, lens = work / "track.json", work / "sights.npz", work / "lens.json"
    line.run("lens", ingest=photos["ingest"], settings=chosen("lens"), out=lens)
    line.run("look", **photos, **files, settings=chosen("look"), out=look)
    # Beside the rest: in a process of its own, as a stage takes its options from sys.argv. It has work after follow,
    # which takes both cores, but begins before that has left anything in the memory which both share.
    with ProcessPoolExecutor(1, multiprocessing.get_context("fork")) as beside:
        beside.submit(int).result()
        line.run("follow", **photos, threads=args.threads, out=sights)
        sheet = beside.submit(contact, line, args, settings, photos, parts, look, lens)
        held = chosen("hold", "hold_in", "level")
        line.run("track", **photos, sights=sights, settings=held, threads=args.threads, out=track)
        walked = {"track": track, "sights": sights, "lens": lens, "csv": work / "hold.csv"}
        line.run("steady", **walked, settings=chosen("steady"), threads=args.threads, out=warps)
        lit = {"ingest": photos["ingest"], "proxies": photos["proxies"], "warps": warps, "sights": sights}
        line.run("light", **lit, settings=chosen("light"), threads=args.threads, out=gains, found=found)
        framed = {"output": size, "boxes": [draft.BOX], **chosen("framing")}
        line.run("framing", warps=warps, proxies=parts["proxies"], gains=gains, settings=framed, out=framing)
        made = {"look": look, "gains": gains, "found": found, "warps": warps, "framing": framing}
        made |= parts | {"local_contrast": settings["look"]["local_contrast"]}
        others = [beside.submit(compose, line, made, part) for part in range(1, PARTS)]
        compose(line, made, 0)
        line.times = sorted({*line.times, *sheet.result(), *itertools.chain(*(other.result() for other in others))})
    composed = [composed_part(work, part) for part in range(PARTS)]
    line.timed("encode", lambda: encode(args.clip, composed, size, frame_rate(settings["fps"])))
    line.run(
        "report",
        **photos,
        name=args.name,
        track=track,
        look=look,
        warps=warps,
        gains=gains,
        found=found,
        framing=framing,
        clips=[args.clip],
        measured=args.clip,
        times=line.times,
        settings=settings,
        origins=args.origins,
        draft=True,
        out=args.page,
        unprocessed=work / "unprocessed.mp4",
        card=work / "card.json",
    )


class Line:
    """The stages' own scripts, run one after the other in one process."""

    def __init__(self, work):
        """work: the folder in which their times are written down as Snakemake does it."""
        self.work, self.times = work, []

    def run(self, script_name, /, **options):
        """Run a stage's main(). options: a list has many values, a table is given as JSON, None is left out."""
        sys.argv = [script_name]
        for key, value in options.items():
            if value is None:
                continue
            values = [json.dumps(value)] if isinstance(value, dict) else value if isinstance(value, list) else [value]
            values = [] if value is True else list(map(str, values))
            option = f"--{key.replace('_', '-')}"
            sys.argv += [f"{option}={values[0]}"] if len(values) == 1 else [option, *values]
        self.timed(f"{script_name}.{options.get('part', 0)}", script(script_name).main)

    def timed(self, name, work):
        seconds, cpu = time.perf_counter(), time.process_time()
        result = work()
        figures = f"{time.perf_counter() - seconds:.4f}\t-\t{time.process_time() - cpu:.4f}"
        # A stage may be run several times.
        self.times.append(self.work / "times" / f"{name}.{len(self.times)}.tsv")
        stage.write_text(self.times[-1], f"s\tmax_rss\tcpu_time\n{figures}\n")
        let_go()
        return result


def let_go():
    """Give back what a stage had of memory, which the C library was told to keep: the next one's takes other places."""
    if trim := getattr(ctypes.CDLL(None), "malloc_trim", None):  # the GNU library's
        trim(0)


@functools.cache
def script(name):
    """A stage's script, as a module."""
    spec = importlib.util.spec_from_file_location(f"draft_{name}", SCRIPTS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def take_in(args, work):
    """Read all photos once: what ingest, audit and decode leave of them, for a draft.

    Returns the files of decoded photos: {"frames": [...], "proxies": [...]}, part by part.
    """
    work.mkdir(parents=True, exist_ok=True)
    # Pictures wait on the disk until all of the shoot is known, so that memory does not grow with it.
    with ThreadPoolExecutor(args.threads) as pool, tempfile.TemporaryDirectory(dir=work) as waiting:
        reading = pool.map(read, args.names, args.photos, (f"{waiting}/{k}.npy" for k in range(len(args.names))))
        # To load all that is needed takes as long as many photos do.
        for name in STAGES:
            script(name)
        highlights.restore(np.zeros((1, 1, 3), np.uint16), np.ones(3, np.float32))
        records, pictures = zip(*reading, strict=True)
        if not any(pictures):
            raise stage.StageError(
                f"{args.name}: none of the {len(records)} photos can be read; copy them from the card again"
            )
        shoot = ingest.shoot(records) | {"changed": []}
        usable = ingest.usable(shoot["photos"], list(zip(args.names, pictures, strict=True)))
        full = decode.full_levels(shoot["balance"])
        parts = [usable[start : start + TOGETHER] for start in range(0, len(usable), TOGETHER)]
        written = pool.map(lambda k: reduce(parts[k], full, work, k), range(len(parts)))
        frames, small = zip(*written, strict=True)
    findings, kept = audit.audit(shoot, audit.UNSEEN, args.settings, [])
    if wrong := audit.too_few(shoot, kept, args.settings):
        raise stage.StageError(wrong)
    reference = audit.reference(shoot["photos"], kept, findings, args.settings["reference"])
    stage.write_json(work / "ingest.json", shoot)
    stage.write_json(work / "audit.json", {"findings": findings, "photos": kept, "reference": reference})
    return {"frames": list(frames), "proxies": list(small)}


def encode(clip, parts, size, rate):
    """Encode the clip: for the eye, so that nothing is measured, and nothing said of its photographer."""
    with stage.whole(clip) as temporary, ffmpeg.writer(size, "yuv420p", rate, *ffmpeg.SMALL_H264, temporary) as write:
        for picture in encoders.ready_pictures(size, parts):
            write(picture)


def read(name, path, file):
    """A photo's record, under its path in the shoot's folder, and (.npy file of its picture, factor) or None
    (see read_reduced()).
    """
    record, picture = read_reduced(path)
    record |= {"name": name, "glance": picture and looked_at(picture[0])}
    if picture is None:
        return record, None
    np.save(file, picture[0])
    return record, (file, picture[1])


def looked_at(picture):
    """What the audit is told of a photo's light."""
    return {
        "level": float(np.log2(max(picture.mean() / 65535, 1e-6))),
        "bright": float(np.log2(max(np.percentile(picture[::4, ::4, 1], 99) / 65535, 1e-6))),
        "clipped": float((picture[..., 1] >= highlights.FULL * 65535).mean()),
        "broken": 0.0,
    }


def reduce(usable, full, work, part):
    """Write a part's frames and proxies as decode does; returns their files. usable: [(name, read()'s second)]."""
    share = (*map(float, full / 65535), 0.0)
    _, (first, factor) = usable[0]
    frames, small, of_them = work / f"frames/{part:03d}.npy", work / f"proxies/{part:03d}.npz", []
    with decoded.writer(frames, (len(usable), *np.load(first, "r").shape)) as write:
        for _, (picture, _) in usable:
            frame = cv2.multiply(np.load(picture), share, dtype=cv2.CV_16U)
            clipped = highlights.restore(frame, full)
            write(frame)
            of_them.append(proxies(frame, clipped, full))
    write_proxies(small, [name for name, _ in usable], of_them, factor, full.min())
    return frames, small


def composed_part(work, part):
    return work / f"composed/{part:03d}.yuv"


def compose(line, made, part):
    """Compose a part of the clip. Returns the line's times."""
    line.run("compose", **made, part=part, parts=PARTS, pictures=composed_part(line.work, part))
    return line.times


def contact(line, args, settings, photos, part, look, lens):
    """Make the sheet of the looks to choose from. Returns the line's times."""
    looks = [look]
    for path in args.shelf:
        looks.append(look.parent / "looks" / f"{os.path.basename(path)}.ctf")
        kind = "cdl" if path.endswith((".cc", ".ccc", ".cdl")) else "lut"
        line.run("look", **photos, **{kind: path}, settings={"look": settings["look"]}, out=looks[-1])
    sheet = {"out": Path(args.page).with_name("contact.png"), "page": Path(args.page).with_name("contact.html")}
    given = {"audit": photos["audit"], "lens": lens, "settings": {"look": settings["look"]}}
    line.run("contact", **part, **given, name=args.name, looks=looks, **sheet)
    return line.times


if __name__ == "__main__":
    stage.run(main)
