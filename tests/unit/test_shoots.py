"""Shoots: how they are found and named, and when a photo counts as changed."""

import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from house import settings, shoots

BASE = settings.load(settings.SCHEMA.parents[2] / "config" / "config.yaml")


@pytest.fixture
def place(tmp_path):
    """(shoots folder, results folder, one shoot's folder with three photos)."""
    folder = tmp_path / "shoots" / "square"
    folder.mkdir(parents=True)
    for name in ("IMG_9.DNG", "IMG_10.DNG", "IMG_11.DNG"):
        (folder / name).write_bytes(name.encode())
    return tmp_path / "shoots", tmp_path / "results", folder


def found(place):
    (shoot,) = shoots.find(*place[:2], BASE)
    return shoot


def later(path):
    """Give a file another time stamp, as a copy or a backup does."""
    stat = os.stat(path)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns + 5_000_000_000))


def ingested(place):
    """Write what ingest leaves: sizes and checksums."""
    _, results, folder = place
    table = results / "square" / "work" / "ingest.json"
    table.parent.mkdir(parents=True, exist_ok=True)
    records = [{"name": p.name, "bytes": p.stat().st_size, "checksum": shoots.checksum(p)} for p in folder.iterdir()]
    table.write_text(json.dumps({"photos": records}))


def test_photos_in_natural_order_and_nothing_else(place):
    for other in ("notes.txt", ".hidden.dng", "IMG_9.DNG.part", "shoot.jpg", "dng"):
        (place[2] / other).touch()
    (place[2] / "folder.dng").mkdir()
    assert found(place).photos == ["IMG_9.DNG", "IMG_10.DNG", "IMG_11.DNG"]


@given(st.lists(st.text("aB019_.²", min_size=1, max_size=6), max_size=8))
def test_natural_order_takes_any_names(names):
    """Digits that are no decimal numbers, such as a raised two, included."""
    assert len(sorted(names, key=shoots._natural)) == len(names)


def test_upper_and_lower_case_endings_are_one():
    assert all(shoots.is_photo(name) for name in ("a.cr2", "a.CR2", "a.Tiff", "a.b.NEF"))
    assert not any(shoots.is_photo(name) for name in ("a.jpg", ".cr2", "cr2", "a.cr2.xmp"))


@pytest.mark.parametrize("name", ["square", "Nacht im Hafen", "it's $(touch x)", "né ☾", "..two", "a;b", "-", "a&b"])
def test_a_plain_name_is_its_own_id_unless_it_leads_with_a_dash(name):
    assert (shoots._safe_id(name) == name) == (not name.startswith("-"))


@pytest.mark.parametrize("name", ["{braces}", "-leading", "new\nline", "tab\t", "--config", "{", "a}b", "\u200b"])
def test_other_names_get_a_safe_id(name):
    made = shoots._safe_id(name)
    assert made.startswith(".") and made != name
    assert set(made) <= set(".-ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789")
    assert shoots._safe_id(name) == made


def test_ids_of_names_that_look_alike_differ():
    assert len({shoots._safe_id(name) for name in ("{a}", "{a", "a}", "-a", "--a", "{a} ")}) == 6


def test_a_shoot_under_an_id_is_published_under_its_name(place):
    place[2].rename(place[2].with_name("{night}"))
    shoot = found(place)
    assert shoot.name == "{night}"
    assert os.readlink(place[1] / shoot.id) == "{night}"


def test_a_second_look_changes_nothing(place):
    first = shoots.identities(found(place), place[1])
    table = place[1] / ".kerbwalk" / "seen" / "square.json"
    before = table.stat().st_mtime_ns
    assert shoots.identities(found(place), place[1]) == first
    assert table.stat().st_mtime_ns == before


def test_a_touched_photo_is_the_same(place):
    first = shoots.identities(found(place), place[1])
    ingested(place)
    later(place[2] / "IMG_9.DNG")
    assert shoots.identities(found(place), place[1]) == first
    later(place[2] / "IMG_9.DNG")
    assert shoots.identities(found(place), place[1]) == first


@pytest.mark.parametrize("content", [b"IMG_X.DNG", b"longer than before"])
def test_a_changed_photo_is_another(place, content):
    first = shoots.identities(found(place), place[1])
    ingested(place)
    (place[2] / "IMG_9.DNG").write_bytes(content)
    later(place[2] / "IMG_9.DNG")
    second = shoots.identities(found(place), place[1])
    assert [name for name in first if first[name] != second[name]] == ["IMG_9.DNG"]
    assert shoots.identities(found(place), place[1]) == second


def test_a_photo_changed_and_changed_back_is_the_first_again_or_new_but_never_the_second(place):
    path = place[2] / "IMG_9.DNG"
    shoots.identities(found(place), place[1])
    ingested(place)
    path.write_bytes(b"another")
    later(path)
    second = shoots.identities(found(place), place[1])
    ingested(place)
    path.write_bytes(b"IMG_9.DNG")
    later(path)
    assert shoots.identities(found(place), place[1])["IMG_9.DNG"] != second["IMG_9.DNG"]


def test_a_table_cut_short_is_made_again(place):
    shoots.identities(found(place), place[1])
    table = place[1] / ".kerbwalk" / "seen" / "square.json"
    whole = table.read_text()
    table.write_text(whole[: len(whole) // 2])
    shoots.identities(found(place), place[1])
    assert table.read_text() == whole


def test_chunks():
    assert shoots.chunks(list("abcde"), 2) == {"000": ["a", "b"], "001": ["c", "d"], "002": ["e"]}
    assert shoots.chunks([], 2) == {}


def test_a_path_with_braces_is_reached_by_a_link(place):
    odd = place[2] / "IMG_{1}.dng"
    odd.write_bytes(b"odd")
    safe = shoots.safe_path(odd, place[1])
    assert "{" not in safe and safe.endswith(".dng")
    assert Path(safe).read_bytes() == b"odd"
    assert shoots.safe_path(place[2] / "IMG_9.DNG", place[1]) == str(place[2] / "IMG_9.DNG")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("holt: auto", "'holt' is not a setting; the nearest is 'hold'"),
        (
            "reference: IMG_8.DNG",
            "'reference' names 'IMG_8.DNG', which is not among the photos; the nearest is 'IMG_9.DNG'",
        ),
        ("leave_out: [IMG_9.dng]", "the nearest is 'IMG_9.DNG'"),
        ("light: {filters: {IMG_8.DNG: 3}}", "'light.filters' names 'IMG_8.DNG', which is not among the photos"),
        ("aspect: '9:1'", "between 1:4 and 4:1"),
        ("look: {cdl: none.cc}", "which is neither in the shoot's folder nor in config/looks"),
        ("frames_per_job: 3", "concerns the whole night"),
    ],
)
def test_a_mistake_in_shoot_yaml_is_the_shoots_own_problem(place, text, words):
    (place[2] / "shoot.yaml").write_text(text)
    (place[0] / "other").mkdir()
    (place[0] / "other" / "a.dng").touch()
    other, shoot = shoots.find(*place[:2], BASE)
    assert other.problem is None
    assert words in shoot.problem and "\n" not in shoot.problem


def test_own_settings_go_over_the_nights(place):
    (place[2] / "shoot.yaml").write_text("look: {exposure: 1.5}\naspect: 4:3\n")
    shoot = found(place)
    assert shoot.problem is None
    assert shoot.settings["look"] == BASE["look"] | {"exposure": 1.5}
    assert shoot.settings["aspect"] == "4:3"


def test_no_folder_no_shoots_no_photos(place, tmp_path):
    with pytest.raises(settings.SettingsError, match="there is no such folder"):
        shoots.find(tmp_path / "nowhere", place[1], BASE)
    (tmp_path / "empty").mkdir()
    with pytest.raises(settings.SettingsError, match="no shoots"):
        shoots.find(tmp_path / "empty", place[1], BASE)
    (tmp_path / "empty" / "bare").mkdir()
    (shoot,) = shoots.find(tmp_path / "empty", place[1], BASE)
    assert "no raw photos" in shoot.problem
