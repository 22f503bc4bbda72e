"""Only what changed runs again: the very set of rules, as Snakemake plans it."""

import contextlib
import os
import shutil

import pytest
import yaml

from tests.conftest import Night

END = {"master", "deliver", "report"}
SHOOTS = {"approach", "empty", "arc"}
BIG_JOBS = {"ingest", "lens", "audit_shoot", "hot", "decode"}
ALL = BIG_JOBS | {"look", "follow", "track", "steady", "light", "framing", "compose"} | END
HELD = ALL - BIG_JOBS - {"look", "follow"}


def of(shoots, rules):
    """These rules for these shoots, and the index page."""
    return dict.fromkeys(shoots, rules) | {"": {"index"}}


@pytest.fixture
def night(finished, tmp_path):
    """The finished night with results of its own, as even planning remembers the photos it has seen."""
    return finished.elsewhere(tmp_path / "results")


# What a copied folder of results is planned for in itself is seen in test_nothing_to_do.
@pytest.mark.parametrize(
    ("settings", "planned"),
    [
        ({"look": {"exposure": 0.5}}, of(SHOOTS, {"look", "compose"} | END)),
        ({"light": {"keep_slower_than": 12}}, of(SHOOTS, {"light", "compose"} | END)),
        ({"steady": {"unplaced": "leave_out"}}, of(SHOOTS, {"steady", "light", "framing", "compose"} | END)),
        ({"lens": "none"}, of(SHOOTS, {"lens", "steady", "light", "framing", "compose"} | END)),
        ({"framing": {"push_in": 1.1}}, of(SHOOTS, {"framing", "compose"} | END)),
        ({"level": [[0.4, 0.2], [0.4, 0.6]]}, of(SHOOTS, HELD)),
        # One shoot has an aspect, a rate, and photos to leave out of its own.
        ({"aspect": "4:3"}, of(SHOOTS - {"empty"}, {"framing", "compose"} | END)),
        ({"fps": 25}, of(SHOOTS - {"empty"}, END)),
        ({"leave_out": ["KW_0106.dng"]}, of(SHOOTS - {"empty"}, ALL - {"ingest", "lens", "hot", "decode"})),
        ({"reference": "KW_0108.dng"}, of(SHOOTS, ALL - {"ingest", "lens", "hot", "decode"})),
        ({"audit": {"aim": 0.5}}, of(SHOOTS, ALL - {"ingest", "lens", "hot", "decode"})),
        ({"ingest": {"copy_to": "/backup"}}, dict.fromkeys(SHOOTS, {"backup", "report"}) | {"": {"index"}}),
        ({"keep_frames": False}, {}),
        ({"priority": 1}, {}),
    ],
    # by the setting; the shoots' order in a set is another one in every process
    ids=lambda value: next(iter(value), "") if isinstance(value, dict) and not SHOOTS & set(value) else "",
)
def test_a_changed_setting(night, settings, planned):
    assert night.planned(settings) == planned


def test_a_changed_hold_point_neither_decodes_nor_follows_corners_again(night, restored):
    with restored(night.shoots / "arc" / "shoot.yaml") as own:
        own.write_text("hold: [0.4, 0.4]\n")
        assert night.planned() == of({"arc"}, HELD)


def test_a_graded_still_after_the_clip_was_made(night, restored):
    still = night.shoots / "arc" / "graded.png"
    with restored(night.shoots / "arc" / "shoot.yaml") as own:
        still.touch()
        try:
            own.write_text(own.read_text() + "look: {match: graded.png}\n")
            assert night.planned() == of({"arc"}, {"look", "match", "compose"} | END)
        finally:
            still.unlink()


def test_nothing_to_do(night):
    os.utime(night.shoots / "arc")
    os.utime(night.shoots)
    assert night.planned() == {}
    standard = yaml.safe_load((night.root / "config" / "config.yaml").read_text())
    assert night.planned(standard) == {}
    assert "nothing to do" in night.finish()


def test_photos_and_results_whose_disks_have_other_names_today(night, tmp_path):
    shutil.copytree(night.shoots, tmp_path / "mounted here" / "walks")
    night.results.rename(tmp_path / "clips")
    today = Night(night.root, tmp_path / "mounted here" / "walks", tmp_path / "clips", night.environment)
    assert today.planned() == {}
    assert "nothing to do" in today.finish()
    # What is made anew reads the photos where they are now.
    (today.results / "arc" / "work" / "ingest.json").unlink()
    night.shoots.rename(tmp_path / "unmounted")
    try:
        today.finish("arc/work/ingest.json")
    finally:
        (tmp_path / "unmounted").rename(night.shoots)


def test_frames_that_were_tidied_away_are_made_again_only_when_needed(night):
    frames = [f for f in night.results.rglob("*") if f.suffix in (".npy", ".yuv")]
    assert frames and "working frames are freed" in night.finish("tidy")
    assert not any(frame.exists() for frame in frames)
    assert night.planned() == {}
    assert "decode" in night.planned({"look": {"exposure": 0.5}})["arc"]


def test_a_touched_photo(night, restored):
    with restored(night.shoots / "arc" / "KW_0104.dng") as photo:
        os.utime(photo)
        assert night.planned() == {}
        assert night.planned() == {}, "the second time it is known by its new time stamp"


def test_a_touched_settings_file_or_script(night, restored):
    files = [night.shoots / "arc" / "shoot.yaml"]
    files += [night.root / f for f in ("scripts/light.py", "workflow/kerbwalk/light.py", "config/config.yaml")]
    files += [night.root / f for f in ("Snakefile", "workflow/rules/light.smk", "workflow/report/shoot.html")]
    with contextlib.ExitStack() as touched:
        for file in files:
            os.utime(touched.enter_context(restored(file)))
        assert night.planned() == {}


@pytest.mark.parametrize("how", ["longer", "same length"])
def test_a_changed_photo_reruns_its_shoot_only(night, restored, how):
    with restored(night.shoots / "arc" / "KW_0104.dng") as photo:
        if how == "longer":
            with photo.open("ab") as file:
                file.write(b"\0")
        else:
            content = photo.read_bytes()
            photo.write_bytes(content[:-2] + bytes([content[-2] ^ 1, content[-1]]))
        assert night.planned() == of({"arc"}, ALL)


def test_a_photo_more(night):
    new = night.shoots / "arc" / "KW_0200.dng"
    os.link(night.shoots / "arc" / "KW_0104.dng", new)
    try:
        assert night.planned() == of({"arc"}, ALL)
    finally:
        new.unlink()


@pytest.mark.parametrize(
    ("file", "rules"),
    [
        ("workflow/kerbwalk/light.py", {"light", "compose"} | END),
        ("workflow/kerbwalk/edges.py", {"follow", "track", "steady", "light", "framing", "compose"} | END),
        ("workflow/kerbwalk/steady.py", {"track", "steady", "light", "framing", "compose"} | END),
        ("scripts/deliver.py", {"deliver", "report"}),
        ("workflow/report/shoot.html", {"report"}),
    ],
)
def test_a_changed_code_reruns_what_follows(night, restored, file, rules):
    with restored(night.root / file) as code:
        code.write_text(code.read_text() + "\n")
        assert night.planned() == of(SHOOTS, rules)
