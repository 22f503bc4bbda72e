"""Shoots: how they are found and named, and when a photo counts as changed."""

import json
import os
import re
import shutil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from house import ids, listing, photos, seen, settings, shoots
from kerbwalk.ingest import natural

BASE = settings.load(settings.SCHEMA.parents[2] / "config" / "config.yaml")


@pytest.fixture
def place(tmp_path):
    """(shoots folder, results folder, one shoot's folder with three photos)."""
    folder = tmp_path / "shoots" / "square"
    folder.mkdir(parents=True)
    for name in ("IMG_9.DNG", "IMG_10.DNG", "IMG_11.DNG"):
        (folder / name).write_bytes(name.encode())
    return tmp_path / "shoots", tmp_path / "results", folder


def find(place, only=()):
    return shoots.find(*place[:2], BASE, only)[0]


def found(place):
    (shoot,) = find(place)
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


def test_what_belongs_to_no_shoot_is_told_of(place):
    folder, results, _ = place
    ingested(place)
    (results / ".kerbwalk" / "work").mkdir(parents=True)
    (results / "of somebody").mkdir()
    (folder / "notes.txt").touch()
    assert shoots.astray(folder, results, {"square"}) == []
    for name in ("IMG_12.DNG", "IMG_12.TIF", ".IMG_13.DNG", "shoot.yaml"):
        (folder / name).touch()
    shutil.copytree(results / "square", results / "old square")
    idle, loose, left = shoots.astray(folder, results, {"square"})
    assert idle.startswith(f"shoot.yaml in {folder}: settings of no shoot") and "--configfile" in idle
    assert loose.startswith(f"IMG_12.DNG in {folder}: beside the shoots' folders")
    assert left.startswith(f"old square in {results}: results of what is no shoot in {folder} now")
    shutil.rmtree(folder)
    assert shoots.astray(folder, results, {"square"}) == [left]


@given(st.lists(st.text("aB019_.²", min_size=1, max_size=6), max_size=8))
def test_natural_order_takes_any_names(names):
    """Digits that are no decimal numbers, such as a raised two, included."""
    assert len(sorted(names, key=natural)) == len(names)


def test_upper_and_lower_case_endings_are_one():
    assert all(photos.is_photo(name) for name in ("a.cr2", "a.CR2", "a.Tiff", "a.b.NEF"))
    assert not any(photos.is_photo(name) for name in ("a.jpg", ".cr2", "cr2", "a.cr2.xmp"))


@pytest.mark.parametrize("name", ["square", "Nacht im Hafen", "né ☾", "..two", "a;b", "-", "a&b"])
def test_a_plain_name_is_its_own_id_unless_it_leads_with_a_dash(name):
    assert (ids.safe_id(name) == name) == (not name.startswith("-"))


@pytest.mark.parametrize(
    "name",
    [
        "{braces}",
        "-leading",
        "new\nline",
        "tab\t",
        "--config",
        "{",
        "a}b",
        "\u200b",
        "it's",
        "$(x)",
        '"',
        "a,b=%j",
        " a",
        "a ",
    ],
)
def test_other_names_get_a_safe_id(name):
    made = ids.safe_id(name)
    assert made.startswith(".") and made != name
    assert set(made) <= set(".-ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789")
    assert ids.safe_id(name) == made


def test_ids_of_names_that_look_alike_differ():
    assert len({ids.safe_id(name) for name in ("{a}", "{a", "a}", "-a", "--a", "{a} ")}) == 6


def test_a_shoot_under_an_id_is_published_under_its_name(place):
    place[2].rename(place[2].with_name("{night}"))
    shoot = found(place)
    assert shoot.name == "{night}"
    assert os.readlink(place[1] / shoot.id) == "{night}"


@pytest.mark.parametrize(
    ("only", "names"),
    [
        ((), ["[x]", "square", "tram b"]),
        ("t*", ["tram b"]),
        (["tram b", "sq*"], ["square", "tram b"]),
        ("[x]", ["[x]"]),
    ],
)
def test_only_some_shoots(place, only, names):
    for name in ("[x]", "tram b"):
        shutil.copytree(place[2], place[0] / name)
    asked, others = shoots.find(*place[:2], BASE, only)
    assert [shoot.name for shoot in asked] == names
    assert sorted(shoot.name for shoot in [*asked, *others]) == ["[x]", "square", "tram b"]


def test_only_shoots_that_are_not_there(place):
    with pytest.raises(settings.SettingsError, match="'sqare', and no shoot in .* nearest is 'square'"):
        find(place, "sqare")
    with pytest.raises(settings.SettingsError, match=r"several are a list: only=\[square,stairs\]"):
        find(place, "square,stairs")


@pytest.mark.parametrize(
    ("only", "offered"),
    [
        ("shoots/old harbor", "; the nearest is 'old harbour'"),
        ("harb", "; what is there: old harbour"),
        ("xyz*", "; what is there: a lane, old harbour, square and 1 more"),
    ],
)
def test_what_is_offered_for_a_shoot_that_is_not_there_is_like_it_or_all_there_is(place, only, offered):
    for name in ("old harbour", "tram b", "a lane"):
        shutil.copytree(place[2], place[0] / name)
    with pytest.raises(settings.SettingsError) as caught:
        find(place, only)
    assert str(caught.value).endswith(f"is called so{offered}")


def test_one_that_is_not_there_beside_one_that_is(place):
    """It fails in its own name; nothing that is asked for leads out of the results."""
    good, bad, worse = find(place, ["square", "sqare*", "../..", "sqare*"])
    assert (good.name, good.problem) == ("square", None)
    assert bad.name == "sqare*" and bad.problem.startswith(f"'only' asks for 'sqare*', and no shoot in {place[0]} is")
    assert "/" not in worse.id and worse.id.startswith(".only-") and worse.id != bad.id


def test_a_second_look_changes_nothing(place):
    first = seen.identities(found(place), place[1])
    table = place[1] / ".kerbwalk" / "seen" / "square.json"
    before = table.stat().st_mtime_ns
    assert seen.identities(found(place), place[1]) == first
    assert table.stat().st_mtime_ns == before


def test_a_touched_photo_is_the_same(place):
    first = seen.identities(found(place), place[1])
    ingested(place)
    later(place[2] / "IMG_9.DNG")
    assert seen.identities(found(place), place[1]) == first
    later(place[2] / "IMG_9.DNG")
    assert seen.identities(found(place), place[1]) == first


@pytest.mark.parametrize("content", [b"IMG_X.DNG", b"longer than before"])
def test_a_changed_photo_is_another(place, content):
    first = seen.identities(found(place), place[1])
    ingested(place)
    (place[2] / "IMG_9.DNG").write_bytes(content)
    later(place[2] / "IMG_9.DNG")
    second = seen.identities(found(place), place[1])
    assert [name for name in first if first[name] != second[name]] == ["IMG_9.DNG"]
    assert seen.identities(found(place), place[1]) == second


def test_a_photo_changed_and_changed_back_is_the_first_again_or_new_but_never_the_second(place):
    path = place[2] / "IMG_9.DNG"
    seen.identities(found(place), place[1])
    ingested(place)
    path.write_bytes(b"another")
    later(path)
    second = seen.identities(found(place), place[1])
    ingested(place)
    path.write_bytes(b"IMG_9.DNG")
    later(path)
    assert seen.identities(found(place), place[1])["IMG_9.DNG"] != second["IMG_9.DNG"]


def test_a_table_cut_short_is_made_again(place):
    seen.identities(found(place), place[1])
    table = place[1] / ".kerbwalk" / "seen" / "square.json"
    whole = table.read_text()
    table.write_text(whole[: len(whole) // 2])
    seen.identities(found(place), place[1])
    assert table.read_text() == whole


def test_chunks():
    assert shoots.chunks(list("abcde"), 2) == {"000": ["a", "b"], "001": ["c", "d"], "002": ["e"]}
    assert shoots.chunks([], 2) == {}


@pytest.mark.parametrize("name", ["shoot.yml", "Shoot.YAML", "shoot.yaml.txt"])
def test_settings_under_another_name_are_not_passed_over(place, name):
    (place[2] / name).write_text("aspect: 4:3\n")
    assert f"{name}: " in found(place).problem and "rename this file to shoot.yaml" in found(place).problem
    (place[2] / "shoot.yaml").write_text("aspect: 1:1\n")
    assert found(place).problem is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("holt: auto", "'holt' is not a setting; the nearest is 'hold'"),
        (
            "reference: IMG_8.DNG",
            "'reference' names 'IMG_8.DNG', which is not among the photos; the nearest is 'IMG_9.DNG'",
        ),
        ("leave_out: [IMG_9.dng]", "the nearest is 'IMG_9.DNG'"),
        (
            "leave_out: [IMG_11.DNG .. IMG_9.DNG]",
            "'leave_out' has 'IMG_11.DNG .. IMG_9.DNG', which ends before it begins; change the two for each other",
        ),
        ("first: a walk", "not among the photos; what is there: IMG_9.DNG, IMG_10.DNG, IMG_11.DNG"),
        ("hold_in: {IMG_8.DNG: [0.5, 0.5]}", "'hold_in' names 'IMG_8.DNG', which is not among the photos"),
        ("light: {filters: {IMG_8.DNG: 3}}", "'light.filters' names 'IMG_8.DNG', which is not among the photos"),
        ("aspect: '9:1'", "between 1:4 and 4:1"),
        (
            "framing: {hold_at: [0.3, 0.4], centre: [0.5, 0.5]}",
            "shoot.yaml: 'framing.hold_at' and 'framing.centre' both say where the crop lies; take one out",
        ),
        ("look: {cdl: none.cc}", "which is neither in the shoot's folder nor in config/looks; put the file there"),
        ("look: {cdl: embers.cc}", "put the file there, or name the nearest, 'ember.cc'"),
        ("frames_per_job: 3", "concerns the whole night"),
    ],
)
def test_a_mistake_in_shoot_yaml_is_the_shoots_own_problem(place, text, words):
    (place[2] / "shoot.yaml").write_text(text)
    (place[0] / "other").mkdir()
    (place[0] / "other" / "a.dng").touch()
    other, shoot = find(place)
    assert other.problem is None
    assert words in shoot.problem and "\n" not in shoot.problem


def test_photos_in_cards_folders_are_offered_as_they_may_be_named(place):
    card = place[2] / "card 1" / "DCIM" / "100KERBS"
    card.mkdir(parents=True)
    for photo in place[2].glob("*.DNG"):
        photo.rename(card / photo.name)
    for named, words in (("IMG_9.dng", "the nearest is 'IMG_9.DNG'"), ("a walk", "what is there: IMG_9.DNG, IMG_10")):
        (place[2] / "shoot.yaml").write_text(f"leave_out: [{named}]")
        assert words in found(place).problem
    (place[2] / "shoot.yaml").write_text("leave_out: [card 1/DCIM/100KERB/IMG_9.DNG]")
    assert "the nearest is 'card 1/DCIM/100KERBS/IMG_9.DNG'" in found(place).problem


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
    (tmp_path / "one shoot").mkdir()
    (tmp_path / "one shoot" / "A.CR3").touch()
    with pytest.raises(settings.SettingsError, match=f"name the folder above it .*shoots={re.escape(str(tmp_path))}"):
        shoots.find(tmp_path / "one shoot", place[1], BASE)
    (tmp_path / "empty" / "bare").mkdir()
    ((shoot,), _) = shoots.find(tmp_path / "empty", place[1], BASE)
    assert "no raw photos" in shoot.problem


@pytest.fixture
def card(place):
    """A function: put files of these paths into the shoot's folder."""

    def put(*paths):
        for path in paths:
            (place[2] / path).parent.mkdir(parents=True, exist_ok=True)
            (place[2] / path).write_bytes(path.encode())

    return put


@pytest.mark.parametrize("name", ["walk " + 20 * "=", 118 * "ü", 25 * "ab"])
def test_a_name_without_end_to_snakemake_works_under_an_id(place, name):
    place[2].rename(place[0] / name)
    shoot = found(place)
    assert shoot.problem is None and shoot.name == name and shoot.id.startswith(".")


@pytest.mark.parametrize("name", ["index.html", "summary.json"])
def test_a_shoot_called_as_a_file_of_the_results_has_to_be_renamed(place, name):
    place[2].rename(place[0] / name)
    assert "another name" in found(place).problem


def test_results_among_photos_are_told_of(place):
    """As by a mistyped results=: the shoot would be taken for results, and be none, for good."""
    (place[2] / ".kerbwalk").mkdir()
    assert "written among these photos; move" in found(place).problem
    # A copy of a shoot is none.
    (place[2] / ".kerbwalk-copy").touch()
    with pytest.raises(settings.SettingsError, match="no shoots"):
        find(place)


def test_what_systems_put_onto_a_disk_is_passed_over(place, card):
    card("@eaDir/IMG_9.DNG/thumbnail.jpg", "__MACOSX/._IMG_9.DNG", "$RECYCLE.BIN/IMG_1.DNG")
    for name in ("lost+found", "System Volume Information"):
        (place[0] / name).mkdir()
    assert found(place).photos == ["IMG_9.DNG", "IMG_10.DNG", "IMG_11.DNG"]


def test_cards_with_nested_camera_folders(place, card):
    card("card 2/DCIM/101KW___/KW_0002.NEF", "card 1/DCIM/100KW___/KW_9999.NEF", ".Trash/a.NEF", "card 1/x/.y/a.NEF")
    assert found(place).photos == [
        "card 1/DCIM/100KW___/KW_9999.NEF",
        "card 2/DCIM/101KW___/KW_0002.NEF",
        "IMG_9.DNG",
        "IMG_10.DNG",
        "IMG_11.DNG",
    ]


def test_links_out_of_the_shoot_are_followed(place, tmp_path):
    card = tmp_path / "card"
    place[2].rename(card)
    place[2].mkdir()
    (place[2] / "IMG_9.DNG").symlink_to(card / "IMG_9.DNG")
    (place[2] / "other").symlink_to(card)
    assert found(place).photos == ["IMG_9.DNG", "other/IMG_9.DNG", "other/IMG_10.DNG", "other/IMG_11.DNG"]


@pytest.mark.parametrize("target", ["nowhere", "/dev/zero", "a pipe"])
def test_a_name_of_a_photo_with_no_file_behind_it(place, target):
    os.mkfifo(place[2] / "a pipe")
    (place[2] / "IMG_12.DNG").symlink_to(target)
    assert "IMG_12.DNG: there is no file behind this name" in found(place).problem


def test_a_link_that_leads_to_more_than_a_shoot_has(place, monkeypatch):
    monkeypatch.setattr(listing, "MANY", 3)
    assert not found(place).problem
    (place[2] / "notes.txt").touch()
    assert "more than 3 files are in this folder" in found(place).problem


@pytest.mark.parametrize("name", ["IMG_12.DNG", "dark.raw"])
def test_what_is_larger_than_any_photo_is_not_read(place, tmp_path, name):
    with open(tmp_path / "sparse", "wb") as sparse:
        sparse.truncate(1 << 40)
    (place[2] / name).symlink_to(tmp_path / "sparse")
    (place[2] / "shoot.yaml").write_text("dark: dark.raw\n" if name == "dark.raw" else "")
    shoot = found(place)
    if name == "dark.raw":
        assert "1100 GB are more than any photo" in shoot.problem
    else:
        with pytest.raises(settings.SettingsError, match="1100 GB are more than any photo"):
            seen.identities(shoot, place[1])


def test_folders_linked_to_each_other_are_each_seen_once(place):
    for k in range(12):
        (place[2] / f"card {k}").mkdir()
        (place[2] / f"card {k}" / f"IMG_{k + 20}.DNG").touch()
    for one in sorted(place[2].glob("card *")):
        for other in sorted(place[2].glob("card *")):
            (one / f"to {other.name}").symlink_to(other)
    assert len(found(place).photos) == 15


def test_a_folder_linked_into_itself_has_an_end(place):
    (place[2] / "again").symlink_to(place[2])
    (place[2] / "card").mkdir()
    (place[2] / "card" / "up").symlink_to(place[2])
    assert len(found(place).photos) == 3


def test_the_raw_file_of_several_forms_is_the_photo(place, card):
    card("IMG_9.jpg", "IMG_9.xmp", "IMG_10.CR3", "img_11.TIF", "other card/IMG_11.JPG")
    card("IMG_12.JPG", "IMG_13.tif", "notes.txt")
    photos = found(place).photos
    assert photos == ["IMG_9.DNG", "IMG_10.CR3", "IMG_11.DNG"]
    assert found(place).lone_jpegs == ["IMG_12.JPG"]
    (said,) = shoots.stills([found(place)])
    assert "IMG_13.tif beside raw files" in said and "look: {match: IMG_13.tif}" in said


def test_a_graded_still_is_no_photo_whether_a_setting_names_it_or_not(place, card):
    photos = found(place).photos
    card("graded.tif")
    assert found(place).photos == photos and shoots.stills([found(place)])
    (place[2] / "shoot.yaml").write_text("look: {match: graded.tif}\n")
    assert found(place).photos == photos and not shoots.stills([found(place)])


def test_tiffs_beside_one_raw_file_are_photos(place, card):
    for photo in place[2].iterdir():
        photo.rename(photo.with_suffix(".tif"))
    card("dark.CR3")
    (place[2] / "shoot.yaml").write_text("dark: dark.CR3\n")
    assert len(found(place).photos) == 3 and not shoots.stills([found(place)])


def test_only_jpegs(place):
    for photo in place[2].iterdir():
        photo.rename(photo.with_suffix(".jpg"))
    assert "only 3 JPEGs" in found(place).problem


@pytest.mark.parametrize("where", ["results", "out/kerbwalk", "square/results"])
def test_results_inside_the_shoots_are_no_shoot(place, where):
    """Neither the ones that are written, nor those of an earlier run, which hold a TIFF."""
    results = place[0] / where
    results.mkdir(parents=True)
    for name in ("square/reference.tif", ".kerbwalk/seen/square.json"):
        (results / name).parent.mkdir(parents=True, exist_ok=True)
        (results / name).write_bytes(b"")
    for place_of_results in (results, place[1]):
        if where == "out/kerbwalk" and place_of_results != results:
            continue
        ((shoot,), _) = shoots.find(place[0], place_of_results, BASE)
        assert shoot.photos == ["IMG_9.DNG", "IMG_10.DNG", "IMG_11.DNG"]


def test_results_inside_the_shoots_before_anything_is_written(place):
    ((shoot,), _) = shoots.find(place[0], place[0] / "results", BASE)
    (place[0] / "results").mkdir()
    ((again,), _) = shoots.find(place[0], place[0] / "results", BASE)
    assert shoot.photos == again.photos


def test_a_photo_in_a_camera_folder_may_be_named_without_it(place, card):
    card("1/KW_1.NEF", "2/KW_1.NEF", "2/KW_2.NEF")
    (place[2] / "shoot.yaml").write_text("reference: KW_2.NEF\nleave_out: [2/KW_1.NEF, IMG_9.DNG]\n")
    shoot = found(place)
    assert shoot.settings["reference"] == "2/KW_2.NEF"
    assert shoot.settings["leave_out"] == ["2/KW_1.NEF", "IMG_9.DNG"]
    (place[2] / "shoot.yaml").write_text("reference: KW_1.NEF\n")
    assert "several photos have that name; write which" in found(place).problem


SPLIT = """
fps: 25
hold_in: {IMG_9.DNG: [0.5, 0.5]}
split:
  dusk: {photos: [IMG_9.DNG .. IMG_10.DNG], reference: IMG_10.DNG}
  night: {photos: [IMG_11.DNG], look: {exposure: 1}}
"""


def test_a_folder_split_into_two_shoots(place):
    (place[2] / "shoot.yaml").write_text(SPLIT)
    dusk, night = find(place)
    assert (dusk.name, dusk.photos, dusk.settings["reference"]) == (
        "square dusk",
        ["IMG_9.DNG", "IMG_10.DNG"],
        "IMG_10.DNG",
    )
    assert (night.name, night.photos, night.part) == ("square night", ["IMG_11.DNG"], ["IMG_11.DNG"])
    assert night.settings["look"]["exposure"] == 1 and dusk.settings["look"] == BASE["look"]
    assert night.settings["fps"] == dusk.settings["fps"] == 25
    assert list(dusk.settings["hold_in"]) == ["IMG_9.DNG"] and not night.settings["hold_in"]
    assert not dusk.problem and not night.problem


def test_what_is_said_of_a_photo_is_said_to_the_part_that_has_it(place):
    said = "first: IMG_10.DNG\nreference: IMG_11.DNG\nleave_out: IMG_9.DNG\nlight: {filters: {IMG_11.DNG: 3}}\n"
    (place[2] / "shoot.yaml").write_text(said + SPLIT.replace(", reference: IMG_10.DNG", ""))
    parts = find(place)
    assert [part.problem for part in parts] == [None, None]
    dusk, night = (part.settings for part in parts)
    assert (dusk["first"], dusk["reference"], dusk["leave_out"]) == ("IMG_10.DNG", None, ["IMG_9.DNG"])
    assert (night["first"], night["reference"], night["leave_out"]) == (None, "IMG_11.DNG", [])
    assert (dusk["light"]["filters"], night["light"]["filters"]) == ({}, {"IMG_11.DNG": 3})
    # Of a part's own settings, and of a photo that none has, it is a mistake.
    for text in (SPLIT.replace("reference: IMG_10", "reference: IMG_11"), "first: IMG_12.DNG\n" + SPLIT):
        (place[2] / "shoot.yaml").write_text(text)
        assert "which is not among the photos" in find(place)[0].problem


def test_photos_from_one_to_another_are_left_out(place):
    (place[2] / "shoot.yaml").write_text("leave_out: [IMG_9.DNG .. IMG_10.DNG]\n")
    assert found(place).settings["leave_out"] == ["IMG_9.DNG", "IMG_10.DNG"]
    split = SPLIT.replace("[IMG_9.DNG .. IMG_10.DNG]", "[IMG_9.DNG]").replace(", reference: IMG_10.DNG", "")
    (place[2] / "shoot.yaml").write_text("leave_out: IMG_10.DNG .. IMG_11.DNG\n" + split)
    assert [part.settings["leave_out"] for part in find(place)] == [[], ["IMG_11.DNG"]]


def test_a_folder_in_a_shoot_is_left_out_by_its_name(place, card):
    card("1.NEF", "2.NEF", "rejects/3.NEF", "rejects/old/4.NEF", "rejects 2/5.NEF")
    for name in ("rejects", "rejects/"):
        (place[2] / "shoot.yaml").write_text(f"leave_out: {name}\n")
        assert found(place).settings["leave_out"] == ["rejects/3.NEF", "rejects/old/4.NEF"]


def test_a_point_for_all_parts_is_told_of(place):
    def told(text):
        (place[2] / "shoot.yaml").write_text(text)
        return shoots.shared_points(find(place))

    assert told(SPLIT + "hold: auto\nframing: {push_in: 1.1}\n") == []
    assert told("hold: [0.4, 0.3]\nframing: {centre: [0.5, 0.5]}\n") == []
    (said,) = told(SPLIT + "hold: [0.4, 0.3]\nframing: {centre: [0.5, 0.5]}\n")
    assert said.startswith("square: its shoot.yaml has 'hold' and 'framing.centre' for all parts of the folder, read")
    own = SPLIT.replace("photos: [", "hold: [0.5, 0.5], photos: [") + "hold: [0.4, 0.3]\n"
    assert told(own) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SPLIT.replace("[IMG_11.DNG]", "[IMG_12.DNG]"), "'split.night' names 'IMG_12.DNG'"),
        (SPLIT.replace("[IMG_11.DNG]", "[IMG_10.DNG .. IMG_11.DNG]"), "'IMG_10.DNG' in several parts"),
        (SPLIT.replace(".. IMG_10.DNG", ".. IMG_9.DNG"), "'IMG_10.DNG' in none of its parts"),
        (SPLIT.replace("{exposure", "{exposre"), "night: 'look.exposre' is not a setting"),
        ("split: {dusk: {photos: [IMG_9.DNG]}}\n", "'split' is"),
        ("split: two\n", "'split' is 'two'; expected ask, one"),
    ],
)
def test_a_mistake_in_a_split(place, text, words):
    (place[2] / "shoot.yaml").write_text(text)
    (shoot,) = find(place)
    assert words in shoot.problem


def test_a_part_named_like_another_shoot(place):
    (place[2] / "shoot.yaml").write_text(SPLIT)
    (place[0] / "square dusk").mkdir()
    (place[0] / "square dusk" / "a.dng").touch()
    problems = [s.problem for s in find(place) if s.name == "square dusk"]
    assert len(problems) == 2 and all("there are two shoots 'square dusk'" in p for p in problems)
