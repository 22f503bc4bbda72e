"""Recipes of deliverables: what is made of the settings, and what mistakes are told."""

from pathlib import Path

import pytest

from house import recipes, settings

STANDARD = settings.load(Path(__file__).parents[2] / "config" / "config.yaml")


def made(own, **others):
    table = settings.merged(STANDARD, {"recipes": {"own": own}, "deliverables": ["own"], **others})
    settings.check(table, "here")
    return recipes.resolved(table, "here")["own"]


def test_those_that_come_with_kerbwalk():
    found = recipes.resolved(STANDARD | {"deliverables": list(STANDARD["recipes"])}, "here")
    seen = {name: (r["size"], r["codec"], r["depth"], r["ending"], r["picture"]) for name, r in found.items()}
    assert seen == {
        "hd": ([1920, 1080], "h264", 8, "mp4", ""),
        "uhd": ([3840, 2160], "hevc", 10, "mp4", "3840x2160"),
        "mezzanine": ([1920, 1080], "prores", 10, "mov", ""),
        "vertical": ([1080, 1920], "h264", 8, "mp4", "1080x1920"),
        "square": ([1080, 1080], "h264", 8, "mp4", "1080x1080"),
        "loop": ([640, 360], "webp", 8, "webp", "640x360-loop"),
        "hdr-pq": ([1920, 1080], "hevc", 10, "mp4", "1920x1080_pq"),
        "hdr-hlg": ([1920, 1080], "hevc", 10, "mp4", "1920x1080_hlg"),
        "stills": ([1920, 1080], "tiff", 16, None, ""),
        "linear": ([1920, 1080], "exr", 16, None, "1920x1080_linear"),
        "poster": ([1920, 1080], "jpeg", 8, "jpg", ""),
    }
    assert [name for name, r in found.items() if r["ready"]] == ["hd"]
    assert all(r["rate"] == "24/1" for r in found.values())
    assert recipes.boxes(found) == [[1920, 1080], [1080, 1920], [3840, 2160]]


def test_a_rate_and_an_aspect_of_its_own():
    assert made({"fps": 29.97})["rate"] == "30000/1001"
    assert made({}, fps=25)["rate"] == "25/1"
    wide = made({"aspect": "2.39:1", "size": "2048x1080"})
    assert (wide["size"], wide["picture"]) == ([2048, 856], "2048x856")
    assert made({"size": "960x540"})["picture"] == "960x540"
    assert made({"size": "960x540"}, aspect="1:1")["size"] == [540, 540]


def test_decoding_does_not_depend_on_what_is_no_larger_than_the_master():
    small = recipes.resolved(STANDARD | {"deliverables": ["hd", "loop", "square", "stills", "poster"]}, "here")
    assert recipes.boxes(small) == recipes.boxes(recipes.resolved(STANDARD, "here"))


@pytest.mark.parametrize(
    ("own", "sentence"),
    [
        ({"size": "1921x1080"}, "'recipes.own' has a size of 1921x1080; width and height must be even"),
        ({"size": "9000x9000"}, "from 64 to 8192 pixels"),
        ({"codec": "h264", "depth": 10}, "asks for a depth of 10 bits; h264 has 8"),
        ({"codec": "prores", "quality": 5}, "has a quality; prores has none, leave it out"),
        ({"codec": "h264", "quality": 60}, "has a quality of 60; h264 has 0 to 51"),
        ({"codec": "prores", "megabits": 50}, "has a rate in megabits; prores keeps to none, leave it out"),
        ({"codec": "h264", "colour": "pq"}, "has the colour pq, which is for hevc in 10 bits"),
        ({"codec": "hevc", "colour": "hlg", "depth": 8}, "has the colour hlg, which is for hevc in 10 bits"),
        ({"frame": 0.2}, "names a frame; h264 holds all of them, leave it out"),
        ({"codec": "jpeg", "pace": {"speed": 2}}, "has a pace; jpeg holds one picture, leave it out"),
        ({"aspect": "9:1"}, "has the aspect '9:1'; expected a ratio between 1:4 and 4:1"),
    ],
)
def test_mistakes(own, sentence):
    with pytest.raises(settings.SettingsError) as caught:
        made(own)
    assert sentence in str(caught.value)


def test_a_name_without_a_recipe():
    with pytest.raises(
        settings.SettingsError, match="'deliverables' names 'uhb', for which there is no recipe; the near"
    ):
        recipes.resolved(STANDARD | {"deliverables": ["uhb"]}, "here")


@pytest.mark.parametrize("key", ["match", "lut", "display"])
def test_a_look_that_makes_a_signal_cannot_be_shown_in_hdr(key):
    view = {"config": "ocio://default", "display": "one", "view": "two"} if key == "display" else "own.cube"
    look = {key: view if key != "match" else "graded.tif"}
    with pytest.raises(settings.SettingsError, match=f"'recipes.own' has the colour pq, and look.{key} makes a signal"):
        made({"codec": "hevc", "colour": "pq"}, look=look)
    assert made({"codec": "exr"}, look=look)["picture"] == "1920x1080_linear"
