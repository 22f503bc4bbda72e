"""Deliverables of all kinds in one run: their pictures, their files, and what is made anew when one is added."""

import hashlib

import av
import numpy as np
import OpenEXR
import pytest
import tifffile
from PIL import Image

# The shoot's master is 270 x 1080, of 1:4.
RECIPES = {
    "wide": {"size": "320x180", "aspect": "16:9", "codec": "hevc", "depth": 10, "fps": 29.97},
    "larger": {"size": "400x1600", "codec": "dnxhr"},
    "mezzanine": {},
    "loop": {"size": "128x512", "fps": 4, "pace": {"loop": "forth_and_back", "hold_first": 0.5, "speed": 0.5}},
    "slow": {"size": "128x512", "pace": {"speed": 0.5, "between": "move"}},
    "bright": {"size": "64x256", "codec": "hevc", "colour": "pq"},
    "linear": {"size": "64x256"},
    "stills": {},
    "poster": {"frame": 1.0},
}
ENDINGS = {"wide": ".mp4", "larger": ".mov", "mezzanine": ".mov", "loop": ".webp", "stills": "", "poster": ".jpg"}
ENDINGS |= {"slow": ".mp4", "bright": ".mp4", "linear": ""}
SETTINGS = {"recipes": RECIPES, "deliverables": ["hd", *RECIPES], "about": {"creator": "Somebody", "place": "A town"}}


@pytest.fixture(scope="module")
def delivered(undisturbed, tmp_path_factory):
    """The little night, finished as usual, and then with all of them."""
    night = undisturbed.elsewhere(tmp_path_factory.mktemp("delivered") / "results")
    before = night.results / "walk" / "walk_hd.mp4", night.results / "walk" / "master.framemd5"
    hashes = [hashlib.md5(path.read_bytes()).hexdigest() for path in before]
    night.finish("--cores", "2", settings=SETTINGS | {"frames_per_job": 3})
    assert [hashlib.md5(path.read_bytes()).hexdigest() for path in before][1] == hashes[1], "the master is as it was"
    return night


def test_every_file_and_folder(delivered):
    folder = delivered.results / "walk"
    assert {path.name for path in folder.iterdir()} == {
        *("audit.json", "ascmhl", "master.mkv", "master.framemd5", "walk_hd.mp4", "report.html", "work"),
        *(f"walk_{name}{ending}" for name, ending in ENDINGS.items()),
    }
    assert len(list((folder / "walk_stills").glob("*.tif"))) == 6
    for name, ending in ENDINGS.items():
        told = delivered.json("walk", f"work/quality/{name}{ending}.json")
        # forth and back: 2 (2 * 5 + 1) - 2, and the first frame for half a second
        assert told["frames"] == {"poster": 1, "loop": 22, "slow": 11}.get(name, 6)
        assert name in ("stills", "poster", "linear") or told["vmaf"]["worst"] > 90


def test_other_displays_are_composed_for_themselves(delivered):
    """The same look: lamps reach what the display can show, and scene light what the sensor saw of them."""
    told = delivered.json("walk", "work/quality/bright.mp4.json")
    assert told["source"] == "64x256_pq" and 900 < told["content_light"][0] < 1050
    assert 1 < told["content_light"][1] < 200
    stills = sorted((delivered.results / "walk" / "walk_linear").glob("*.exr"))
    with OpenEXR.File(str(stills[-1])) as file:
        light = file.channels()["RGB"].pixels
    assert len(stills) == 6 and light.dtype == np.float16 and light.shape == (256, 64, 3)
    assert 1 < light.max() < 16 and 0 < np.median(light) < 0.5


@pytest.mark.parametrize(
    ("name", "size", "source"), [("wide", (320, 180), "320x180"), ("larger", (400, 1600), "400x1600")]
)
def test_a_geometry_of_its_own_is_composed_for_itself(delivered, name, size, source):
    work = delivered.results / "walk" / "work"
    assert delivered.json("walk", f"work/{source}/framing.json")["output"] == list(size)
    made = delivered.results / "walk" / f"walk_{name}{ENDINGS[name]}"
    shown = []
    for path in (made, work / source / "master.mkv"):
        with av.open(str(path)) as container:
            shown.append([frame.to_ndarray(format="gray") for frame in container.decode(video=0)])
    assert len(shown[0]) == len(shown[1]) == 6
    for one, other in zip(*shown, strict=True):
        assert one.shape == other.shape == size[::-1]
        assert np.abs(one.astype(float) - other).mean() < 3


def test_the_larger_one_has_more_in_it_than_the_master_made_larger(delivered):
    frame = {}
    for path in ("master.mkv", "work/400x1600/master.mkv"):
        with av.open(str(delivered.results / "walk" / path)) as container:
            frame[path] = next(container.decode(video=0)).to_ndarray(format="gray").astype(float)
    small, large = frame.values()
    assert small.shape == (1080, 270) and large.shape == (1600, 400)
    # Of the same crop, as one aspect has one crop.
    crops = [delivered.json("walk", f"work/{place}framing.json")["crop"] for place in ("", "400x1600/")]
    assert np.allclose(*crops, atol=3)


def test_frames_in_between_are_mixed_in_linear_light(delivered, planes):
    """The last of the frames that stand, the one between the first two photos, and the second photo's."""
    warps = delivered.json("walk", "work/128x512-loop/warps.json")
    first, second = (delivered.json("walk", "work/warps.json")["frames"][k][0][0] for k in (0, 1))
    assert warps["frames"][1] == warps["frames"][2] == [[first, 1.0]]
    assert warps["frames"][3] == [[first, 0.5], [second, 0.5]]
    luma = [frame[0] for frame in planes(delivered.results / "walk" / "work" / "128x512-loop" / "master.mkv")]
    assert len(luma) == 22
    assert (luma[0] == luma[2]).all()
    light = [(np.maximum(frame.astype(float) - 64, 0) / 876) ** 2.4 for frame in luma[2:5]]
    # The tone curve bends, so that this holds on the whole and not to the last digit.
    assert np.abs(light[1] - (light[0] + light[2]) / 2).mean() < 0.25 * np.abs(light[0] - light[2]).mean()


def test_frames_in_between_are_moved_by_the_warps(delivered, planes):
    """Each of the two photos is seen from between them, so that what is laid on each other has no double edges."""
    warps = delivered.json("walk", "work/128x512-slow/warps.json")
    first, second = (delivered.json("walk", "work/warps.json")["frames"][k][0][0] for k in (0, 1))
    parts = warps["frames"][1]
    assert [share for _, share in parts] == [0.5, 0.5]
    assert [next(p["photo"] for p in warps["photos"] if p["name"] == name) for name, _ in parts] == [first, second]
    luma = [frame[0] for frame in planes(delivered.results / "walk" / "work" / "128x512-slow" / "master.mkv")]
    light = [(np.maximum(frame.astype(float) - 64, 0) / 876) ** 2.4 for frame in luma]
    moved, mixed = (np.abs(np.diff(each)).mean() for each in (light[1], (light[0] + light[2]) / 2))
    assert moved > 1.03 * mixed


def test_stills_and_poster(delivered):
    folder = delivered.results / "walk"
    with tifffile.TiffFile(folder / "walk_stills" / "000006.tif") as tiff:
        last = tiff.asarray()
        assert last.dtype == np.uint16 and last.shape == (1080, 270, 3)
        assert b"A town" in tiff.pages[0].tags.valueof(700)
        assert len(tiff.pages[0].tags.valueof(34675)) > 300
    with Image.open(folder / "walk_poster.jpg") as poster:
        assert np.abs(np.asarray(poster) - last / 257).mean() < 1.5
        assert b"Somebody" in poster.info["xmp"]


def test_what_a_recipe_asks_for_is_all_that_is_made_anew(delivered):
    sharper = SETTINGS | {"recipes": RECIPES | {"wide": RECIPES["wide"] | {"quality": 10}}, "frames_per_job": 3}
    rows = [row for row in delivered.table(sharper) if row["plan"] != "no update"]
    assert {row["rule"] for row in rows} == {"deliver", "report", "index"}
    assert {row["output_file"] for row in rows if row["rule"] == "deliver"} == {
        "walk/walk_wide.mp4",
        "walk/work/quality/wide.mp4.json",
    }
