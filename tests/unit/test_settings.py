"""Settings: what is accepted, and the sentence that a mistake gets."""

import functools
import os
from fractions import Fraction

import pytest

from house import settings

# A few lines that stand for 4 to the 30th values.
BOMB = "a0: &r0 [x]\n" + "".join(f"a{k}: &r{k} [{', '.join(4 * [f'*r{k - 1}'])}]\n" for k in range(1, 30))


def mistake(text, tmp_path, night=True):
    """The sentence that a settings file of this text gets, without the file's path."""
    path = tmp_path / "shoot.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(settings.SettingsError) as caught:
        settings.check(settings.load(path), path, night)
    assert str(caught.value).startswith(str(path))
    return str(caught.value).removeprefix(str(path))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("holt: auto", ": 'holt' is not a setting; the nearest is 'hold'"),
        ("look: {exposur: 1}", ": 'look.exposur' is not a setting; the nearest is 'look.exposure'"),
        (
            "look: {white_balance: {kelvn: 3200}}",
            ": 'look.white_balance' is {'kelvn': 3200}; expected as_shot, {kelvin:",
        ),
        ("FPS: 24", "; the nearest is 'fps'"),
        ("x: 1", ": 'x' is not a setting; docs/settings.md lists all that are"),
        ("look: {zoom: 2}", ": 'look.zoom' is not a setting; docs/settings.md lists all that are"),
        (
            "hold: [1.4, 0.2]",
            ": 'hold' is [1.4, 0.2]; expected auto, or a point as two fractions [x, y] between 0 and 1",
        ),
        (
            "ingest: {copy_to: backup}",
            ": 'ingest.copy_to' is 'backup'; expected the whole path of a folder, such as /backup",
        ),
        ("hold: [0.5]", "expected auto, or a point as two fractions"),
        ("hold: middle", ": 'hold' is 'middle'; expected auto, or"),
        ("look: {exposure: '0.7'}", "; expected a number of stops from -10 to 10; write a number without quotes"),
        ("look: {contrast: high}", ": 'look.contrast' is 'high'; expected a number from 0.2 to 4"),
        ("look: {cdl: {slope: [1, 1]}}", ": 'look.cdl' is {'slope': [1, 1]}; expected the name of a .cc"),
        ("look: warm", ": 'look' is 'warm'; expected settings of the look, such as {cdl: ember.cc} or {exposure: 0.7}"),
        ("steady: {pace: yes}", ": 'steady.pace' is true (which is written yes and on as well); expected keep or even"),
        (
            "steady: {held: off}",
            ": 'steady.held' is false (which is written no and off as well); expected point or",
        ),
        ("hold: [0,48, 0,31]", ": 'hold' is [0, 48, 0, 31]; expected auto, or a point as two fractions [x, y] between"),
        ("hold: [0,48, 0,31]", "; write decimals with a point, 0.48, as a comma separates values"),
        ("hold: [0,48, 0.31]", "; write decimals with a point, 0.48, as a comma separates values"),
        ("hold: [0.48, 0,31]", "; write decimals with a point, 0.48, as a comma separates values"),
        ("hold_in: {IMG_1.CR3: [0,47, 0.33]}", "; write decimals with a point"),
        ("level: [[0,3, 0,2], [0,3, 0,6]]", "; write decimals with a point"),
        ("look: {white_balance: {neutral: [0,61, 0,72]}}", "; write decimals with a point"),
        ("fps: 23,976", ": 'fps' is '23,976'; expected a frame rate from 1 to 240"),
        ("fps: 23,976", "; write decimals with a point"),
        ("look: {exposure: 0,7}", ": 'look.7' is not a setting; write decimals with a point"),
        (
            "look:\nexposure: 0.7",
            ": 'exposure' is not a setting; the nearest is 'look.exposure', which stands under 'look:', indented; and "
            "'look' is nothing",
        ),
        ("light: {show: dusk}", ": 'light.show' is 'dusk'; expected photographed, fell or level"),
        (
            "light: {filters: {a.dng: -1}}",
            ": 'light.filters.a.dng' is -1; expected a density from 0 to 10",
        ),
        ("light: {filters: 3}", ": 'light.filters' is 3; expected a table {photo: density from 0 to 10}"),
        ("light: {even: [0.2, 0.3]}", ": 'light.even', entry 1, is 0.2; expected a point as two fractions"),
        ("light: {even: [[0.2, 1.3]]}", ": 'light.even', entry 2 of entry 1, is 1.3; expected a point as two"),
        ("fps: fast", ": 'fps' is 'fast'; expected a frame rate from 1 to 240"),
        ("fps: 0", ": 'fps' is 0; expected a frame rate"),
        ("aspect: wide", ": 'aspect' is 'wide'; expected a ratio in quotes"),
        ("steady: {unplaced: drop}", ": 'steady.unplaced' is 'drop'; expected bridge or leave_out"),
        ("deliverables: [u_hd]", ": 'deliverables', entry 1, is 'u_hd'; expected the name of a recipe"),
        ("recipes: {uhd: {codec: h265}}", ": 'recipes.uhd.codec' is 'h265'; expected h264, hevc, av1, prores"),
        ("recipes: {uhd: {codek: hevc}}", ": 'recipes.uhd.codek' is not a setting; the nearest is 'recipes.uhd.codec'"),
        ("recipes: {uhd: {size: big}}", ": 'recipes.uhd.size' is 'big'; expected a size such as 3840x2160"),
        ("recipes: {uhd: {fps: -1}}", ": 'recipes.uhd.fps' is -1; expected a frame rate from 1 to 240"),
        ("recipes: {uhd: {depth: 12}}", ": 'recipes.uhd.depth' is 12; expected 8, 10 or 16"),
        ("recipes: {my_own: {}}", ": 'recipes' is 'my_own'; expected recipes by name, of letters, digits and hyphens"),
        ("recipes: {a: {pace: {speed: 0}}}", ": 'recipes.a.pace.speed' is 0; expected photos a frame, from 0.05 to 20"),
        ("recipes: {wide: {aspect: wide}}", ": 'recipes.wide.aspect' is 'wide'; expected a ratio in quotes"),
        (
            "leave_out: a.dng, b.dng",
            ": 'leave_out' is 'a.dng, b.dng'; expected a list of photos' file names, such as [IMG_0044.CR3, IMG_0050",
        ),
        ("look: {cdl: ember}", ": 'look.cdl' is 'ember'; expected the name of a .cc, .ccc or .cdl file with its"),
        ("leave_out: [5]", ": 'leave_out', entry 1, is 5; expected a photo's file name"),
        ("frames_per_job: 0", ": 'frames_per_job' is 0; expected a whole number from 1 to 200"),
        ("keep_frames: maybe", ": 'keep_frames' is 'maybe'; expected true or false"),
        ("reference: 12", ": 'reference' is 12; expected a photo's file name"),
        ("look:", ": 'look' is nothing; expected settings of the look"),
        ("- hold", ": expected settings as 'key: value' lines, found ['hold']"),
        ("just words", ": expected settings as 'key: value' lines, found 'just words'"),
        ("look: {exposure:0.7}", "'look.exposure:0.7' is not a setting; there is no space behind the colon; write exp"),
        ("look:\n\texposure: 1", ", line 2, '\\texposure: 1': a tab begins it; indent it by spaces"),
        (
            "look: {exposure: 1}\nfps: 24\nlook: {cdl: a.cc}",
            ", line 3: 'look' stands there a second time; put all of it under the first one",
        ),
        (
            "fps: fast\nhold: [48, 31]\nzoom: 2",
            ": 'zoom' is not a setting; docs/settings.md lists all that are; and 'fps' is 'fast'; expected",
        ),
        ("hold: !!python/object/apply:os.abort []", ", line 1, 'hold: !!python/object/apply:os.abort []': a text"),
        ("hold: " + "[" * 20000, "this is not YAML (exceeded maximum nesting depth)"),
        ("look: &all {look: *all}", ": these are more than 100000 settings"),
        (BOMB, ": these are more than 100000 settings"),
        ("fps: .nan", ": a value is .nan, which is no number"),
        ("leave_out: [" + "x, " * 400_000 + "]", ": this is no file, or one of more than a megabyte"),
        ("fps: 2031-99-99", ": a value is no number and no date (month must be in 1..12)"),
        ("fps: " + "9" * 5000, ": a value is no number and no date"),
        ("<script>alert(1)</script>: $(touch sprung)", ": '<script>alert(1)</script>' is not a setting"),
    ],
)
def test_mistakes(text, sentence, tmp_path):
    found = mistake(text, tmp_path)
    assert sentence in found
    assert "\n" not in found


def test_a_pipe_that_nobody_writes_to(tmp_path):
    os.mkfifo(tmp_path / "shoot.yaml")
    with pytest.raises(settings.SettingsError, match="this is no file"):
        settings.load(tmp_path / "shoot.yaml")


def test_a_file_that_is_not_text(tmp_path):
    (tmp_path / "shoot.yaml").write_bytes(b"hold: \xff\xfe auto")
    with pytest.raises(settings.SettingsError, match="save it as UTF-8"):
        settings.load(tmp_path / "shoot.yaml")


@pytest.mark.parametrize("key", ["results: there", "shoots: here", "keep_frames: false", "frames_per_job: 8"])
def test_what_concerns_the_night_is_not_for_one_shoot(key, tmp_path):
    assert "concerns the whole night; set it in config.yaml" in mistake(key, tmp_path, night=False)


def test_the_settings_that_come_with_kerbwalk_are_right():
    path = settings.SCHEMA.parents[2] / "config" / "config.yaml"
    loaded = settings.load(path)
    settings.check(loaded, path)
    assert set(loaded) == set(settings._schema()["properties"])


def test_empty_is_no_mistake(tmp_path):
    (tmp_path / "shoot.yaml").write_text("# nothing yet\n")
    assert settings.load(tmp_path / "shoot.yaml") == {}
    settings.check({}, "nowhere")


def test_tables_and_lists_of_the_command_line_have_numbers():
    given = ["fps=25", "hold=[0.45, 0.4]", "look={exposure: 0.3}", "look={contrast: 2}", "results=a b", "only=[a, b*]"]
    given += ["keep_frames=false", "shoots=no"]
    look = {"exposure": 0.3, "contrast": 2}
    assert settings.typed(given) == {"hold": [0.45, 0.4], "look": look, "only": ["a", "b*"], "keep_frames": False}
    assert settings.typed(["look={exposure: [}"]) == settings.typed(None) == {}


def test_merged_goes_deep_but_a_white_balance_is_one_choice():
    base = {
        "look": {"exposure": 0, "white_balance": {"kelvin": 3200, "tint": 5}, "cdl": {"slope": [2, 2, 2]}},
        "fps": 24,
    }
    own = {"look": {"exposure": 1, "white_balance": {"neutral": [0.5, 0.5]}, "cdl": {"power": [1, 1, 1]}}}
    assert settings.merged(base, own) == {"look": own["look"], "fps": 24}
    assert settings.merged(base, {"look": {"exposure": 2}})["look"] == base["look"] | {"exposure": 2}
    assert base["look"]["exposure"] == 0


@pytest.mark.parametrize(
    ("read", "aspect"), [(16 * 60 + 9, "16:9"), (61, "1:1"), ("4:3", "4:3"), (21 * 60 + 9, "21:9")]
)
def test_an_unquoted_aspect_is_understood(read, aspect):
    assert settings.normalised({"aspect": read}) == {"aspect": aspect}


def test_one_name_is_a_list_of_one():
    given = {"leave_out": "a b.dng", "audit": {"replaced": "c.dng", "photos": 9}, "deliverables": "uhd", "dark": "d"}
    given["split"] = {"one": {"photos": "a.dng .. b.dng"}, "two": {"photos": ["c.dng"], "leave_out": "d.dng"}}
    settings.check(given, "shoot.yaml", night=False)
    assert settings.normalised(given) == {
        "leave_out": ["a b.dng"],
        "audit": {"replaced": ["c.dng"], "photos": 9},
        "deliverables": ["uhd"],
        "dark": "d",
        "split": {"one": {"photos": ["a.dng .. b.dng"]}, "two": {"photos": ["c.dng"], "leave_out": ["d.dng"]}},
    }


@pytest.mark.parametrize(
    ("fps", "rate"),
    [
        (24, "24/1"), (25, "25/1"), (30, "30/1"), (60, "60/1"), (23.976, "24000/1001"), (29.97, "30000/1001"),
        ("24000/1001", "24000/1001"), (12.5, "25/2"), (24.0, "24/1"),
    ],
)  # fmt: skip
def test_frame_rate(fps, rate):
    assert settings.frame_rate(fps) == rate


def test_ratio():
    assert settings.ratio("16:9") == Fraction(16, 9)
    assert settings.ratio("2.39:1") == Fraction(239, 100)


@pytest.mark.parametrize("aspect", ["4.01:1", "1:5", "16:0", "0:9"])
def test_an_aspect_out_of_bounds(aspect, tmp_path):
    sentence = mistake(f'aspect: "{aspect}"', tmp_path)
    assert f"'aspect' is '{aspect}'; expected a ratio in quotes" in sentence and "between 1:4 and 4:1" in sentence


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"exposure": 1}, "'exposure' is not a setting; the nearest is 'look.exposure', which stands under 'look:'"),
        (
            {"look": {"hold": "auto"}},
            "'look.hold' is not a setting; the nearest is 'hold', which stands at the left margin",
        ),
        ({"light": {"exposure": 1}}, "'light.exposure' is not a setting; the nearest is 'look.exposure', which stands"),
        ({"look": {"Contrats": 1.2}}, "'look.Contrats' is not a setting; the nearest is 'look.contrast'"),
    ],
)
def test_a_setting_in_another_table_is_found(given, sentence):
    with pytest.raises(settings.SettingsError, match=sentence):
        settings.check(given, "shoot.yaml")


def test_nearest():
    assert settings.nearest("IMG_0043.DNG", ["IMG_0042.DNG", "IMG_0143.DNG", "notes.dng"]) in (
        "IMG_0042.DNG",
        "IMG_0143.DNG",
    )
    assert settings.nearest("zzz", ["hold", "fps"]) is None


def test_where_settings_come_from():
    defaults = {"fps": 24, "hold": "auto", "look": {"toe": 0.2, "white_balance": "as_shot"}, "aspect": "16:9"}
    layers = [
        ("config.yaml", defaults),
        ("my.yaml", {"fps": 24, "look": {"toe": 0.1}}),
        ("the command line", {"fps": 24, "look": {"toe": 0.1}, "aspect": "1:1"}),
    ]
    own = [("shoot.yaml", {"hold": "auto", "look": {"white_balance": {"kelvin": 3200}}})]
    used = functools.reduce(settings.merged, (table for _, table in [*layers, *own]))
    assert settings.origins(used, layers, own) == {
        "hold": "shoot.yaml",
        "look.white_balance.kelvin": "shoot.yaml",
        "look.toe": "my.yaml",
        "aspect": "the command line",
    }


def test_a_whole_cdl_is_taken():
    cdl = {"slope": [1.1, 1, 0.9], "offset": [0, 0, 0], "power": [1, 1, 1], "saturation": 0.8}
    settings.check({"look": {"cdl": cdl, "saturation": 4, "local_contrast": 2}}, "shoot.yaml", night=False)
    with pytest.raises(settings.SettingsError, match="a number from 0 to 4"):
        settings.check({"look": {"saturation": 5}}, "shoot.yaml", night=False)


def test_frames_that_are_kept_have_no_bound():
    settings.check_room({"disk_gb": 5, "keep_frames": False})
    with pytest.raises(settings.SettingsError, match="'keep_frames: false' too"):
        settings.check_room({"disk_gb": 5, "keep_frames": True})
