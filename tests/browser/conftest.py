"""A small finished shoot with hostile names, its pages, and a browser to look at them."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio
import pytest

from files import ffmpeg
from kerbwalk import lens

SCRIPTS = Path(__file__).parents[2] / "scripts"
NAME = '<img src=x onerror=alert(1)> 50%20 #"ü'
PHOTOS = [f"<script>alert({k})<&script> {k}.dng" for k in range(6)]
LOOK = "<b>warm: 'a', {b} #1.cc"
FRAMES, WIDTH, HEIGHT, PHOTO = 6, 640, 360, (600, 400)
LENS = {"name": None, "note": "the <b>lens</b> is left as it is", **lens.plain(PHOTO)}
SETTINGS = {
    "aspect": "16:9",
    "audit": {"aim": 0.02, "interval": 0.75},
    "deliverables": ["hd"],
    "fps": 23.976,
    "hold": "auto",
    "hold_in": {},
    "leave_out": ["<b>gone</b>.dng"],
    "look": {"cdl": None, "lut": None, "match": None, "white_balance": {"kelvin": 3200}},
    "reference": None,
}


@pytest.fixture(scope="session")
def night(tmp_path_factory):
    """A results folder with the pages of one finished and one unfinished shoot; returns its path."""
    results = tmp_path_factory.mktemp("a night")
    folder = results / NAME
    work = folder / "work"
    work.mkdir(parents=True)
    texture = write_videos(folder)
    write_proxies(work / "proxies.npz", texture)
    write_tables(folder)
    (work / "look.ctf").write_text(look(), encoding="utf-8")
    page = [f"--name={NAME}", "--settings", json.dumps(SETTINGS), "--clips", folder / "c_hd.mp4"]
    page += ["--origins", json.dumps({"look.white_balance.kelvin": "<b>shoot</b>.yaml"})]
    page += ["--measured", folder / "c_hd.mp4", "--quality", folder / "work/hd.mp4.json"]
    for option, file in {
        "ingest": "work/ingest.json",
        "audit": "audit.json",
        "track": "work/track.json",
        "proxies": "work/proxies.npz",
        "look": "work/look.ctf",
        "warps": "work/warps.json",
        "gains": "work/gains.csv",
        "found": "work/light.json",
        "framing": "work/framing.json",
        "times": "work/decode.000.tsv",
        "out": "report.html",
        "unprocessed": "work/unprocessed.mp4",
        "card": "work/card.json",
    }.items():
        page += [f"--{option}", folder / file]
    run("report", *page)
    write_contact(folder)
    unfinished = json.dumps({"<svg onload=alert(3)>": [f"/{'folder_' * 9}: <b>no</b> photos & nothing else"]})
    index = ["--unfinished", unfinished, "--out", results / "index.html", "--cards", work / "card.json"]
    run("index", *index)
    # what made the pages, for a test that makes them again
    (results / "commands.json").write_text(json.dumps([str(part) for part in page]), encoding="utf-8")
    return results


def run(script, *arguments):
    command = [sys.executable, SCRIPTS / f"{script}.py", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def write_videos(folder):
    """A clip of six frames of a chequered picture; returns one frame's luma, uint16."""
    rows, columns = np.indices((HEIGHT, WIDTH))
    luma = (200 + 150 * ((rows // 16 + columns // 24) % 2) + rows // 4).astype(np.uint16)
    grey = np.full_like(luma, 512)
    encoded = ["-c:v", "libx264", "-pix_fmt", "yuv420p", *ffmpeg.BT709_TAGS, folder / "c_hd.mp4"]
    with ffmpeg.writer((WIDTH, HEIGHT), ffmpeg.MASTER_FORMAT, 25, *encoded) as write:
        for k in range(FRAMES):
            write(np.ascontiguousarray([luma + k % 2, grey, grey]))
    return luma


def write_contact(folder):
    """The page of looks: the shoot's own, and one whose file has a name that is markup and YAML."""
    work = folder / "work"
    looks = [work / name for name in ("plain.ctf", LOOK + ".ctf")]
    for path in looks:
        path.write_text(look(), encoding="utf-8")
    np.save(work / "frames.npy", np.full((FRAMES, 200, 300, 3), 20000, np.uint16))
    (work / "lens.json").write_text(json.dumps(LENS), encoding="utf-8")
    sheet = ["--audit", folder / "audit.json", "--lens", work / "lens.json", "--settings", json.dumps(SETTINGS)]
    sheet += ["--proxies", work / "proxies.npz", "--frames", work / "frames.npy"]
    outputs = ["--out", folder / "contact.png", "--page", folder / "contact.html"]
    run("contact", f"--name={NAME}", "--looks", *looks, *sheet, *outputs)


def write_proxies(path, luma):
    height, width = PHOTO[1] // 2, PHOTO[0] // 2
    light = np.repeat(luma[:height, :width, None], 3, axis=2).astype(np.float32) * 60
    np.savez(
        path,
        names=np.array(PHOTOS),
        scale=1,
        white=65535.0,
        grey=np.zeros((FRAMES, height, width), np.uint16),
        grey_scale=2,
        light=np.array([light * (1 + 0.1 * (k % 2)) for k in range(FRAMES)]),
        light_scale=2,
        clipped=np.zeros((FRAMES, height, width), bool),
    )


def write_tables(folder):
    """The small files of numbers; the fourth photo is bumped and bridged by its neighbours."""
    photos = [
        {
            "name": name,
            "placed": k != 3,
            "matrix": [[1, 0, k % 3 - 1], [0, 1, 0], [0, 0, 1]],
            "hold": [300.0 + k % 3, 200.0 - k],
            "grid": [[[0.5, 0.0], [0.0, 1.0]], [[0.0, 0.0], [-2.0, 0.0]]],
            "way": 0.01 * k,
            "off": 0.0005,
            **({"problem": "bumped: its <aim> is off"} if k == 3 else {}),
        }
        for k, name in enumerate(PHOTOS)
    ]
    frames = [[[name, 1.0]] for name in PHOTOS]
    frames[3] = [[PHOTOS[2], 0.5], [PHOTOS[4], 0.5]]
    unreadable = {"name": "<b>cut</b>.dng", "problem": "is empty (0 bytes)", "seconds": None}
    known = {"camera": "<i>Camera</i>", "lens": None, "time": "2031-03-14T21:04:10", "problem": None}
    known |= {"matrix": None, "neutral": [2.0, 1.0, 1.5]}
    finding = {
        "code": "unreadable",
        "severity": "fault",
        "photos": [unreadable["name"]],
        "value": 0,
        "limit": None,
        "message": "<b>cut</b>.dng is empty",
    }
    tables = {
        "work/ingest.json": {
            "photos": [*({"name": name, "seconds": 13.0 * k, **known} for k, name in enumerate(PHOTOS)), unreadable]
        },
        "audit.json": {"findings": [finding], "photos": PHOTOS, "reference": PHOTOS[2]},
        "work/track.json": {"candidates": [{"x": 0.5, "y": 0.5, "score": 1.0}, {"x": 0.2, "y": 0.7, "score": 0.4}]},
        "work/light.json": {
            "colours": {name: [0.01, 0.0] for name in PHOTOS},
            "steps": [{"photo": PHOTOS[3], "known": 1.0, "measured": 0.9, "sigma": 0.05, "differs": False}],
            "places": [{"x": 0.3, "y": 0.4, "width": 0.02, "height": 0.03, "flicker": 8.0, "gains": {}, "pattern": []}],
            "even": [0],
        },
        "work/hd.mp4.json": {
            "size": [640, 360],
            "frames": len(frames),
            "bits_a_second": 2.5e6,
            "vmaf": {"mean": 96.5, "worst": 94.0},
            "photo_pixels": 0.8,
        },
        "work/framing.json": {
            "crop": [20, 20, 560, 315],
            "output": [640, 360],
            "retained": 0.735,
            "of_aspect": 0.87,
            "moves": None,
            "costly": [{"photos": [PHOTOS[1]], "retained": 0.8}],
            "fills": {PHOTOS[4]: {"photo": PHOTOS[5], "lacks": 0.012}},
            "unfilled": 0.71,
        },
        "work/warps.json": {
            "size": list(PHOTO),
            "reference": PHOTOS[2],
            "hold": [300.0, 200.0],
            "lens": LENS,
            "photos": photos,
            "frames": frames,
        },
    }
    for name, table in tables.items():
        (folder / name).write_text(json.dumps(table), encoding="utf-8")
    rows = [f"{name},{k // 3},0.1,0.0,{-0.1 * k:.3f},0.9,100" for k, name in enumerate(PHOTOS)]
    header = "photo,known_step,estimated_gain,kept_trend,applied_gain,confidence,pixels"
    (folder / "work/gains.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    (folder / "work/decode.000.tsv").write_text("s\tmax_rss\tcpu_time\n1.5\t-\t-\n", encoding="utf-8")


def look():
    steps = ocio.GroupTransform()
    steps.appendTransform(ocio.ExponentTransform(value=[2.4] * 3 + [1], direction=ocio.TRANSFORM_DIR_INVERSE))
    steps.getFormatMetadata().setID("look")
    return steps.write("Academy/ASC Common LUT Format", ocio.Config.CreateRaw())


@pytest.fixture(scope="session")
def browser():
    """A headless Chromium that records its console and every request."""
    programs = {name: shutil.which(name) for name in ("chromium", "chromedriver")}
    missing = [name for name, path in programs.items() if not path]
    if missing:
        pytest.skip(f"{' and '.join(missing)} missing: the pages are not tested in a browser")
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is missing")
    options = webdriver.ChromeOptions()
    options.binary_location = programs["chromium"]
    # The sandbox does not work for root, as in a container.
    for argument in (
        "--headless=new",
        "--no-sandbox",
        "--disable-dev-shm-usage",
        "--disable-background-networking",
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(programs["chromedriver"])
    driver = webdriver.Chrome(options=options, service=service)
    yield driver
    driver.quit()
