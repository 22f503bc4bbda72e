"""Borders filled in a shoot of the demo: more picture, and the same frames however the clip is shared out."""

import importlib.util
import json
import subprocess
import sys

import pytest

from kerbwalk import filling

OUTPUT = [960, 540]
FRAMING = {"hold_at": None, "centre": None, "push_in": 1, "pan": [0, 0], "fill": 0.02}


@pytest.fixture(scope="module")
def stage(finished, tmp_path_factory):
    """A function: run a stage on what the shoot 'empty' has left."""
    work, folder = finished.results / "empty" / "work", tmp_path_factory.mktemp("filled")

    def run(name, **options):
        words = [sys.executable, finished.root / "scripts" / f"{name}.py"]
        options |= {"proxies": sorted(work.glob("proxies/*.npz")), "warps": [work / "warps.json"]}
        options |= {"gains": [work / "gains.csv"]}
        for option, values in options.items():
            words += [f"--{option.replace('_', '-')}", *values]
        subprocess.run(list(map(str, words)), check=True, cwd=folder)

    return folder, work, run


def test_a_filled_clip_shows_more_and_is_the_same_in_any_parts(stage):
    """Compose raises where a pixel would be undefined, so that it ends says that none is."""
    folder, work, run = stage
    settings = {"output": OUTPUT, "boxes": [OUTPUT], "framing": FRAMING}
    run("framing", settings=[json.dumps(settings)], out=["framing.json"])
    framing = json.loads((folder / "framing.json").read_text(encoding="utf-8"))
    assert framing["retained"] > framing["unfilled"] and framing["fills"]
    top, height = framing["crop"][1::2]
    size = json.loads((work / "warps.json").read_text(encoding="utf-8"))["size"]
    assert abs(top + height / 2 - size[1] / 2) < 0.02 * size[1], "it stays in the middle"
    made = {"look": [work / "look.ctf"], "found": [work / "light.json"], "framing": ["framing.json"]}
    made |= {"frames": sorted(work.glob("decoded/*.npy")), "local_contrast": [0]}
    hashes = []
    for part, parts in ((0, 1), (1, 2)):
        run("compose", **made, part=[part], parts=[parts], hashes=["part.framemd5"])
        lines = (folder / "part.framemd5").read_text(encoding="utf-8").splitlines()
        hashes.append([line.rpartition(",")[2] for line in lines if not line.startswith("#")])
    whole, half = hashes
    assert half and whole[-len(half) :] == half


def test_where_nothing_can_be_filled_the_crop_is_as_without(stage, finished, monkeypatch):
    folder, work, _ = stage
    spec = importlib.util.spec_from_file_location("framing_stage", finished.root / "scripts" / "framing.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    monkeypatch.setattr(filling, "filled", lambda *_: None)
    crops = []
    for fill in (0, 0.02):
        settings = {"output": OUTPUT, "boxes": [OUTPUT], "framing": FRAMING | {"fill": fill}}
        words = ["--warps", work / "warps.json", "--gains", work / "gains.csv", "--settings", json.dumps(settings)]
        words += ["--out", folder / "refused.json", "--proxies", *sorted(work.glob("proxies/*.npz"))]
        monkeypatch.setattr(sys, "argv", ["framing", *map(str, words)])
        script.main()
        crops.append(json.loads((folder / "refused.json").read_text(encoding="utf-8"))["crop"])
    assert crops[0] == crops[1]
