"""What users and other programs may rely on: the files, their shapes, and what each stage reads."""

import csv
import html.parser
import os
import re
import shlex
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import PyOpenColorIO as ocio
import pytest

from files.stage import WAYS

SHOOT = "empty"
STAGES = (
    "ingest",
    "audit",
    "lens",
    "hot",
    "decode",
    "look",
    "follow",
    "track",
    "steady",
    "light",
    "framing",
    "compose",
    "master",
    "deliver",
)
FINDING = {"code", "severity", "photos", "value", "limit", "message"}
FRAMES = [
    *("photo", "time", "offset", "seconds", "interval", "shutter", "aperture", "iso", "focal", "focal35", "camera"),
    *("lens", "width", "height", "orientation", "level", "clipped", "bytes", "checksum", "problem"),
]
GAINS = ["photo", "known_step", "estimated_gain", "kept_trend", "applied_gain", "confidence", "pixels"]


def test_the_documented_files(finished):
    for shoot in ("approach", "empty", "arc"):
        folder = finished.results / shoot
        assert {f.name for f in folder.iterdir()} == {
            *("audit.json", "ascmhl", "master.mkv", "master.framemd5", f"{shoot}_hd.mp4", "report.html", "work"),
        }
        assert {"warps.json", "gains.csv", "framing.json", "look.clf", "ingest.json", "frames.csv", "glance.npz"} <= {
            f.name for f in (folder / "work").iterdir()
        }
    assert (finished.results / "index.html").stat().st_size
    left = [f for f in finished.results.rglob("*") if f.name.startswith(".writing-")]
    assert not left


def test_audit(finished):
    audit = finished.json(SHOOT, "audit.json")
    assert audit.keys() == {"findings", "photos", "reference"}
    assert audit["reference"] in audit["photos"]
    left_out = [f for f in audit["findings"] if f["code"] == "left_out"]
    assert all(f.keys() == FINDING and f["severity"] == "note" for f in left_out)
    assert [(f["photos"], f["message"].partition("by ")[2]) for f in left_out] == [
        (["KW_0101.dng"], "'first' in the settings"),
        (["KW_0105.dng"], "'leave_out' in the settings"),
        (["KW_0116.dng"], "'last' in the settings"),
    ]


def test_frames(finished):
    """The table of photos says what ingest.json says, in the same order."""
    with open(finished.results / SHOOT / "work" / "frames.csv", newline="", encoding="utf-8") as file:
        table = csv.DictReader(file)
        assert table.fieldnames == FRAMES
        rows = list(table)
    photos = finished.json(SHOOT, "work/ingest.json")["photos"]
    for row, photo in zip(rows, photos, strict=True):
        assert (row["photo"], row["checksum"], row["problem"]) == (photo["name"], photo["checksum"], "")
        assert row["time"].startswith(photo["time"])
        assert float(row["shutter"]) == photo["shutter"]
        assert float(row["level"]) == pytest.approx(photo["glance"]["level"], abs=1e-5)
    assert rows[0]["interval"] == "" and float(rows[1]["interval"]) == pytest.approx(13.37)


def test_gains(finished):
    with open(finished.results / SHOOT / "work" / "gains.csv", newline="", encoding="utf-8") as file:
        table = csv.DictReader(file)
        assert table.fieldnames == GAINS
        rows = list(table)
    assert [row["photo"] for row in rows] == finished.json(SHOOT, "audit.json")["photos"]
    for row in rows:
        assert 0 <= float(row["confidence"]) <= 1
        assert int(row["pixels"]) >= 0
        assert abs(float(row["applied_gain"])) < 2


def test_warps_and_framing(finished):
    warps, framing = finished.json("approach", "work/warps.json"), finished.json("approach", "work/framing.json")
    assert {"size", "reference", "hold", "lens", "focal", "shake", "photos", "frames"} == warps.keys()
    assert all(sum(share for _, share in frame) == pytest.approx(1) for frame in warps["frames"])
    shown = {"crop", "moves", "output", "retained", "of_aspect", "costly", "fills", "unfilled", "borders"}
    assert shown == framing.keys()


def test_the_look_loads_in_opencolorio(finished):
    file = finished.results / "arc" / "work" / "look.clf"
    look = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(str(file))).getDefaultCPUProcessor()
    black, white = look.applyRGB([0, 0, 0]), look.applyRGB([4, 4, 4])
    assert black == pytest.approx([0] * 3, abs=1e-4)
    assert white == pytest.approx([1] * 3, abs=1e-4)


def test_the_pages_hold_all_they_need(finished):
    """Nothing is fetched from elsewhere, and every file that a page names lies where it says."""

    class Links(html.parser.HTMLParser):
        found = ()

        def handle_starttag(self, tag, attributes):
            named = [value for key, value in attributes if key in ("src", "href", "poster") and value]
            self.found += tuple(named)

    for page in (finished.results / "index.html", finished.results / "arc" / "report.html"):
        links = Links()
        links.feed(page.read_text(encoding="utf-8"))
        assert links.found
        for link in links.found:
            assert link.startswith(("#", "data:")) or (page.parent / link).exists(), link


def test_the_help_of_every_script(root):
    names = [f"{stage}.py" for stage in (*STAGES, "backup", "verify", "report", "index")] + ["run", "test"]
    scripts = [root / "scripts" / name for name in names]

    def shown(script):
        return subprocess.run([sys.executable, script, "--help"], capture_output=True, text=True, timeout=60)

    with ThreadPoolExecutor(2) as pool:
        for script, result in zip(scripts, pool.map(shown, scripts), strict=True):
            assert result.returncode == 0, script
            assert len(result.stdout.splitlines()) > 4, script
            assert not result.stderr, script


@pytest.mark.parametrize("stage", (*STAGES, "report"))
def test_a_stage_reads_only_what_it_declares(finished, stage, tmp_path):
    """Its command, in a folder that holds only the declared inputs, makes the same outputs to the byte; photos, which
    are no inputs, are there where it names them."""
    rule = {"audit": "audit_shoot"}.get(stage, stage)
    rows = [r for r in finished.table() if r["rule"] == rule and r["output_file"].startswith(SHOOT)]
    command = rows[0]["shellcmd"]
    rows = [row for row in rows if row["shellcmd"] == command]
    for name in filter(None, dict.fromkeys(rows[0]["input-file(s)"].split(","))):
        source = (finished.results / name).resolve()
        if source.is_relative_to(finished.root):
            continue  # a page's template, read where it lies
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        os.link(source, tmp_path / name)
    if WAYS in command:
        (tmp_path / WAYS).mkdir(parents=True)
        (tmp_path / WAYS / SHOOT).symlink_to(finished.shoots / SHOOT)
    for row in rows:
        (tmp_path / row["output_file"]).parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / SHOOT / "work" / "logs").mkdir(parents=True, exist_ok=True)
    # By the copy of the code that the run worked with, which has it compiled.
    script = shlex.split((finished.results / SHOOT / "work" / "logs" / "lens.log").read_text().splitlines()[0])[4]
    start = f"kerbwalk() {{ stage=$1; shift; {shlex.quote(sys.executable)} {shlex.quote(os.path.dirname(script))}"
    start += '/$stage.py "$@"; }; '
    done = subprocess.run(["bash", "-c", start + command], cwd=tmp_path, timeout=120)
    assert done.returncode == 0, "".join(f.read_text() for f in tmp_path.glob(f"{SHOOT}/work/logs/*"))
    for row in rows:
        made, known = ((place / row["output_file"]).read_bytes() for place in (tmp_path, finished.results))
        assert made == known, row["output_file"]


def test_a_log_begins_with_the_command_that_does_the_same_by_hand(undisturbed, tmp_path):
    night = undisturbed.elsewhere(tmp_path / "results")
    log, made = (night.results / "walk" / "work" / part for part in ("logs/framing.log", "framing.json"))
    command, known = log.read_text().splitlines()[0], made.read_bytes()
    for before, after in quoted(undisturbed.results, night.results):
        command = command.replace(before, after)
    made.unlink()
    assert subprocess.run(["bash", "-c", command], timeout=60).returncode == 0
    assert made.read_bytes() == known


def quoted(old, new):
    """A path's beginning as it stands in a command, with quotes where it needs them, and what to put there."""
    old, new = str(old), str(new)
    assert not re.search(r"[^\w/.-]", new)
    return [(shlex.quote(old)[:-1], f"'{new}"), (old, new)] if shlex.quote(old) != old else [(old, new)]
