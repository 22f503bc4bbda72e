"""The draft: a whole small clip and page, of which nothing gets into the line."""

import json

import numpy as np

from files import ffmpeg
from kerbwalk import decode, highlights


def test_a_draft_and_nothing_of_it_in_the_line(little):
    night = little("draft")
    untouched = night.planned()
    said = night.finish("--cores", "2", "draft")
    folder = night.results / "walk" / "draft"
    assert str(folder / "report.html") in said
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "A draft" in page
    assert 'class="spot"' in page, "other places are offered where one was set by hand"
    assert "silver" in (folder / "contact.html").read_text(encoding="utf-8")
    framing = json.loads((folder / "work" / "framing.json").read_text())
    width, height = framing["output"]
    assert (width <= 640 and height == 360) or (height <= 360 and width == 640)
    frames = list(ffmpeg.frames(folder / "draft.mp4", framing["output"]))
    assert len(frames) == 6 and np.std(frames[0]) > 10
    beside = [
        path.name for path in (night.results / "walk").glob("**/*") if path.is_file() and folder not in path.parents
    ]
    assert beside == ["draft.log"]
    assert night.planned() == untouched


def test_a_draft_holds_the_point_and_shows_the_light_as_the_line_does(little, undisturbed):
    night = little("draft")
    night.finish("--cores", "2", "draft")
    for name in ("work/track.json", "work/ingest.json"):
        small, whole = night.json("walk", f"draft/{name}"), undisturbed.json("walk", name)
        assert [p["name"] for p in small["photos"]] == [p["name"] for p in whole["photos"]]
    assert small["balance"] == whole["balance"]
    small, whole = night.json("walk", "draft/work/track.json"), undisturbed.json("walk", "work/track.json")
    for one, other in zip(small["photos"], whole["photos"], strict=True):
        # a pixel of the draft is two of the photo's here
        assert np.hypot(*np.subtract(one["hold"], other["hold"])) < 1
    lights = []
    for folder in (night.results / "walk/draft", undisturbed.results / "walk"):
        with np.load(folder / "work/proxies/000.npz") as file:
            lights.append(file["light"][0].mean(axis=(0, 1)))
    np.testing.assert_allclose(lights[0], lights[1], rtol=0.01)
    # What is full in all channels is white, and not the balance's own colour.
    frames = np.load(night.results / "walk/draft/work/frames/000.npy")
    full = decode.full_levels(night.json("walk", "draft/work/ingest.json")["balance"])
    lamps = (frames >= highlights.FULL * full).all(-1)
    assert lamps.any() and (frames[lamps] == 65535).all()
