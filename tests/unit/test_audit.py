"""What the audit says of photos by their metadata and their order; of pictures, see tests/faults/test_seeded.py."""

import cv2
import numpy as np
import pytest
import yaml

from files.proxies import Stack
from house import listing
from kerbwalk import audit, audit_times, glance, ingest, neighbours
from kerbwalk.finding import finding

LIMITS = {
    "faults": "leave_out", "photos": None, "shutter": 1, "focal": 25, "write": 0.5, "interval": 0.75, "gap": 10,
    "place": 150, "clipped": 0.05, "dark": 6, "sharpness": 0.7, "aim": 0.02, "covered": 0.25, "contrast": 0.6,
    "dust": 0.15, "level": 1, "replaced": [],
}  # fmt: skip
SETTINGS = {"first": None, "last": None, "leave_out": [], "split": "ask", "audit": LIMITS}
UNSEEN = {
    "names": [], "aims": np.zeros((0, 2)), "sharpness": [], "covered": [], "contrast": np.nan, "drift": np.nan,
    "alike": [], "spots": [],
}  # fmt: skip


def photo(name, **other):
    record = {
        "name": name, "bytes": 100, "problem": None, "width": 3000, "height": 2000, "camera": "Maker Model",
        "time": f"2031-03-14T21:04:{len(name):02d}", "subsecond": 0.0, "seconds": 13.0 * len(name), "shutter": 3.0,
        "aperture": 5.6, "iso": 100, "matrix": [[1]], "neutral": [2, 1, 1.5], "focal": 18.0, "focal35": 27.0,
        "lens": "Maker 18 mm", "orientation": 1, "checksum": name, "glance": None, "place": None, "serial": None,
    }  # fmt: skip
    return record | other


@pytest.fixture
def photos():
    return [photo("a" * k) for k in range(1, 7)]


def judge(photos, order=(), changed=(), lone=(), **settings):
    shoot = {"photos": photos, "order": order, "changed": changed}
    settings["audit"] = LIMITS | settings.get("audit", {})
    return audit.audit(shoot, UNSEEN, SETTINGS | settings, lone)


def test_nothing_to_say(photos):
    assert judge(photos) == ([], ["a" * k for k in range(1, 7)])


@pytest.mark.parametrize(
    ("change", "code", "severity"),
    [
        ({"problem": "is empty (0 bytes)", "seconds": None}, "unreadable", "fault"),
        ({"width": 1500}, "other_size", "fault"),
        ({"width": 2000, "height": 3000, "orientation": 6}, "other_orientation", "fault"),
        ({"orientation": 3}, "other_orientation", "fault"),
        ({"camera": "Another"}, "other_camera", "fault"),
        ({"checksum": "aa"}, "duplicate", "fault"),
        ({"focal": 24.0}, "other_focal", "fault"),
        ({"lens": None}, "other_lens", "warning"),
        ({"time": "2031-03-14T21:04:01"}, "same_time", "warning"),
        ({"shutter": None}, "no_exposure", "warning"),
        ({"matrix": None}, "no_matrix", "warning"),
        ({"focal35": 20.0}, "wide_lens", "warning"),
    ],
)
def test_one_odd_photo(photos, change, code, severity):
    photos[3] |= change
    findings, kept = judge(photos)
    assert [(f["code"], f["severity"]) for f in findings] == [(code, severity)]
    assert set(findings[0]) == {"code", "severity", "photos", "value", "limit", "message"}
    assert "aaaa" in findings[0]["photos"]
    assert "aaaa" in findings[0]["message"]
    assert ("aaaa" in kept) == (severity != "fault")
    assert len(kept) == 6 - (severity == "fault")


def test_a_photo_without_a_matrix_is_told_what_becomes_of_its_colours(photos):
    photos[3]["matrix"] = None
    (found,) = judge(photos)[0]
    for words in ("aaaa: no colour matrix in the file", "taken as BT.709", "convert the photos to DNG"):
        assert words in found["message"]


def test_an_unreadable_photo_has_no_other_fault(photos):
    """A photo that could not be opened says nothing of itself, and must not be judged by that."""
    photos[5] |= dict.fromkeys(("width", "height", "time", "seconds", "shutter", "camera", "matrix", "focal", "lens"))
    photos[5]["problem"] = "cannot be read"
    findings, _ = judge(photos)
    assert [f["code"] for f in findings] == ["unreadable"]


def test_first_last_and_leave_out(photos):
    findings, kept = judge(photos, first="aa", last="aaaaa", leave_out=["aaa"])
    assert kept == ["aa", "aaaa", "aaaaa"]
    assert [(f["code"], f["severity"], f["photos"], f["message"]) for f in findings] == [
        ("left_out", "note", ["a"], "a: left out by 'first' in the settings"),
        ("left_out", "note", ["aaa"], "aaa: left out by 'leave_out' in the settings"),
        ("left_out", "note", ["aaaaaa"], "aaaaaa: left out by 'last' in the settings"),
    ]


def test_each_photo_is_left_out_by_one_setting(photos):
    findings, kept = judge(photos, first="aaaa", leave_out=["aa", "aaaaa"])
    assert kept == ["aaaa", "aaaaaa"]
    assert [(f["photos"], f["value"]) for f in findings] == [(["a", "aa", "aaa"], 3), (["aaaaa"], 1)]


def test_reference_is_the_wanted_one_even_if_left_out(photos):
    kept = ["aa", "aaa", "aaaa"]
    assert audit.reference(photos, kept, []) == "aaa"
    assert audit.reference(photos, kept, [], "aaaaaa") == "aaaaaa"
    photos[5]["problem"] = "is empty"
    assert audit.reference(photos, kept, [], "aaaaaa") == "aaa"


def test_reference_is_no_photo_that_is_warned_of_by_itself(photos):
    kept = ["aa", "aaa", "aaaa"]
    blurred = finding("not_sharp", "warning", ["aaa"], 0.5, 0.7, "shaken")
    assert audit.reference(photos, kept, [blurred]) == "aa"
    assert audit.reference(photos, kept, [blurred], "aaa") == "aaa"
    assert audit.reference(photos, kept, [blurred | {"photos": kept}]) == "aaa"
    assert audit.reference(photos, kept, [blurred | {"photos": [name]} for name in kept]) == "aaa"


def test_fewer_photos_than_wanted(photos):
    (found,), _ = judge(photos, audit={"photos": 7})
    assert (found["code"], found["value"], found["limit"]) == ("few_photos", 6, 7)
    assert judge(photos, audit={"photos": 6})[0] == []


def test_the_order_found_is_told(photos):
    order = [{"code": "clock_changed", "photos": ["a", "aa"], "message": "the clock was set back"}]
    (found,), _ = judge(photos, order=order)
    assert (found["code"], found["severity"]) == ("clock_changed", "warning")
    assert found["message"] == "the clock was set back"


def test_a_changed_photo_unless_it_was_replaced_on_purpose(photos):
    changed = [{"name": "aa", "was": "another", "since": "2031-03-14T23:00:00"}]
    (found,), kept = judge(photos, changed=changed)
    assert (found["code"], found["photos"], found["limit"]) == ("changed", ["aa"], "another")
    assert "2031-03-14" in found["message"] and "aa" in kept
    assert judge(photos, changed=changed, audit={"replaced": ["aa"]})[0] == []


def many(count, **other):
    return [photo(f"IMG_{k:04d}.cr3", seconds=13.0 * k, time=f"t{k}", **other) for k in range(count)]


@pytest.mark.parametrize(
    "change",
    [
        lambda k: {"seconds": 13.0 * k + 1500},
        lambda k: {"place": [48.003, 11.0], "seconds": 13.0 * k},
        lambda k: {"focal": 35.0, "lens": "Maker 35 mm"},
    ],
    ids=["a rest", "a walk", "another lens"],
)
def test_two_shoots_are_shown_with_what_to_write(change):
    photos = many(10, place=[48.0, 11.0])
    for k in range(6, 10):
        photos[k] |= change(k)
    (found,), kept = judge(photos)
    assert (found["code"], found["photos"], found["value"]) == ("two_shoots", ["IMG_0006.cr3"], 2)
    assert 'photos: ["IMG_0000.cr3 .. IMG_0005.cr3"]' in found["message"]
    assert 'photos: ["IMG_0006.cr3 .. IMG_0009.cr3"]' in found["message"]
    assert "shoots=" not in found["message"]
    assert len(kept) == 10, "nothing is parted unless one says so"
    assert "two_shoots" not in {f["code"] for f in judge(photos, split="one")[0]}


def test_two_shoots_in_folders_of_their_own_may_be_run_as_such():
    photos = many(10)
    for k, each in enumerate(photos):
        each["name"] = f"{'dusk' if k < 6 else 'night'}/{each['name']}"
        each["seconds"] += 1500 * (k >= 6)
    (found,), _ = judge(photos)
    assert "start with this folder as shoots=" in found["message"]


def by_turns(*ways, count=6):
    """Photos of so many shoots at the same times. ways: functions of a photo's number to what its record has."""
    both = [photo("", seconds=13.0 * k, time=f"t{k}") | way(k) for k in range(count) for way in ways]
    return [p | {"checksum": p["name"]} for p in both]


BESIDE = {
    "two folders of one numbering": (
        lambda k: {"name": f"DCIM/100KW/KW_{k:04d}.dng"},
        lambda k: {"name": f"DCIM/101KW/KW_{k:04d}.dng"},
    ),
    "a folder and what lies beside it": (
        lambda k: {"name": f"KW_{k:04d}.dng"},
        lambda k: {"name": f"quay/KW_{k + 20:04d}.dng"},
    ),
    "two cameras of a kind": (
        lambda k: {"name": f"A{k:04d}.dng", "serial": "11"},
        lambda k: {"name": f"A{k + 9:04d}.dng", "serial": "12"},
    ),
    "two counts in one folder": (
        lambda k: {"name": f"KW_{k + 1:04d}.dng"},
        lambda k: {"name": f"KW_{k + 501:04d}.dng"},
    ),
    "two makes": (
        lambda k: {"name": f"IMG_{k:04d}.cr3", "camera": "Maker Model"},
        lambda k: {"name": f"_DSC{k:04d}.nef", "camera": "Other Model"},
    ),
}


@pytest.mark.parametrize("ways", BESIDE.values(), ids=BESIDE)
def test_two_shoots_side_by_side_are_shown_with_what_to_write(ways):
    photos = by_turns(*ways)
    findings, kept = judge(photos)
    (found,) = [f for f in findings if f["severity"] != "fault"]
    assert (found["code"], found["value"], found["photos"]) == ("two_shoots", 2, [photos[1]["name"]])
    assert "whose times run through each other" in found["message"]
    parts = yaml.safe_load(found["message"].partition("either 'split: ")[2].partition("' or 'split: one'")[0])
    listed = sorted((p["name"] for p in photos), key=ingest.natural)
    for part, first in zip(parts.values(), (0, 1), strict=True):
        assert listing.chosen(listed, part["photos"]) == [p["name"] for p in photos[first::2]]
    alone = {f["code"] for f in judge(photos, split="one")[0]}
    assert "two_shoots" not in alone and "same_time" in alone
    assert len(kept) == 12 - len(findings) + 1


def test_one_camera_that_writes_to_two_cards_by_turns_is_one_shoot():
    photos = many(12)
    for k, each in enumerate(photos):
        each["name"] = f"card {k % 2}/{each['name']}"
    assert judge(photos)[0] == []


def test_a_few_photos_of_another_folder_are_no_shoot():
    photos = many(12)
    for k in (3, 7):
        photos[k]["name"] = f"again/{photos[k]['name']}"
    assert "two_shoots" not in {f["code"] for f in judge(photos)[0]}


def test_a_photo_with_a_fault_goes_with_its_neighbours_into_a_part():
    photos = many(10)
    for k in range(6, 10):
        photos[k]["seconds"] += 1500
    photos[6] |= {"problem": "is empty", "seconds": None}
    found = next(f for f in judge(photos)[0] if f["code"] == "two_shoots")
    assert "IMG_0000.cr3 .. IMG_0006.cr3" in found["message"]


def test_missing_numbers():
    assert audit_times._missing("IMG_0004.cr3", "IMG_0007.cr3") == 2
    assert audit_times._missing("IMG_9999.cr3", "IMG_0001.cr3") == 0
    assert audit_times._missing("IMG_9998.cr3", "IMG_0002.cr3") == 2
    assert audit_times._missing("IMG_0007.cr3", "IMG_0004.cr3") is None
    assert audit_times._missing("IMG_0001.cr3", "DSC_0002.cr3") is None


def test_a_gap_in_an_even_interval_without_numbers_is_a_missing_photo():
    photos = [photo(f"{name}.cr3", seconds=13.0 * k) for k, name in enumerate("qwertzuiop")]
    for k, p in enumerate(photos):
        p["time"] = f"t{k}"
        p["seconds"] += 13 if k > 4 else 0
    (found,), _ = judge(photos)
    assert (found["code"], found["photos"], found["value"]) == ("missing_photo", ["t.cr3", "z.cr3"], 1)


def test_distance_on_the_earth():
    """A minute of latitude is a nautical mile, 1,852 m (from memory), to half a per cent on a sphere."""
    assert audit_times._metres([48, 11], [48 + 1 / 60, 11]) == pytest.approx(1852, rel=0.005)
    assert audit_times._metres([60, 11], [60, 11 + 1 / 60]) == pytest.approx(926, rel=0.005)


def exposed(levels, **other):
    """Photos of these levels (stops); other: columns of their records."""
    glance = {"clipped": 0.0, "bright": 0.0, "broken": 0.0}
    records = [photo("a" * (k + 1), glance=glance | {"level": level}) for k, level in enumerate(levels)]
    return [record | {key: column[k] for key, column in other.items()} for k, record in enumerate(records)]


@pytest.mark.parametrize("covered", [[5], [4, 5], [0], [11]])
def test_a_covered_lens_is_a_fault(covered):
    findings, kept = judge(exposed([-9.0 if k in covered else 0.0 for k in range(12)]))
    assert [f["photos"] for f in findings if f["code"] == "too_dark"] == [["a" * (k + 1)] for k in covered]
    assert len(kept) == 12 - len(covered)


def test_light_is_judged_without_what_the_camera_tells_and_without_steps_by_a_filter():
    """Exposure times are names: 1/13 s is 1/12.7. A filter of density 3, made good by the shutter, is no fault."""
    late = np.arange(12) >= 6
    dark, filtered = (np.where(late, -9.0, 0), np.where(late, 1 / 125, 4)), (0.0 * late, np.where(late, 30, 1 / 30))
    for levels, shutter in (dark, filtered):
        findings, kept = judge(exposed(levels, shutter=shutter))
        assert not [f for f in findings if f["code"] == "too_dark"]
        assert len(kept) == 12


def test_aims_are_those_of_the_pictures(waves):
    """Pictures of one scene, shifted by known whole pixels."""
    moves = [(0, 0), (1, 0), (0, -1), (12, 7), (0, 1), (-1, 0), (0, 0)]
    scene = waves(3).seen((400, 300)) / 30000
    pictures = np.array([np.roll(scene, (dy, dx), (0, 1))[20:-20, 20:-20] for dx, dy in moves])
    found = neighbours.aims(pictures) * 360
    assert found[3] == pytest.approx((12, 7), abs=1.5)
    assert np.abs(np.delete(found, 3, 0)).max() < 3


def test_a_camera_that_turns_with_the_walk_is_not_aimed_off_at_its_ends(waves):
    """About a fountain the houses behind it go by evenly; who turns away from that is told at the ends as well."""
    scene = waves(3).seen((500, 300)) / 30000
    shifts = 8 * np.arange(12) + np.where(np.arange(12) == 11, 14, 0)
    pictures = np.array([scene[:, shift : shift + 360] for shift in shifts])
    off = 360 * np.hypot(*neighbours.aims(pictures).T)
    assert off[:11].max() < 5 and off[11] == pytest.approx(14, abs=5)


def test_what_passes_with_its_lights_on_is_not_taken_for_a_photo_without_detail(waves):
    """A trail across the picture makes its mean brighter by half a stop, which is no exposure; a photo of twice the
    exposure is none of less detail either, and one that is shaken is."""
    scene = np.asarray(waves(3).seen((400, 304)), float) / 120000
    photos = [glance.glance(np.rint(scene * 2**14).astype(np.uint16), 0, 2**14, 2, 0) for _ in range(9)]
    trail, bright, shaken = scene.copy(), 2 * scene, cv2.blur(scene, (9, 1))
    trail[200:216] += 10 * np.median(scene)
    for k, picture in ((3, trail), (5, bright), (7, shaken)):
        photos[k] = glance.glance(np.rint(np.minimum(picture, 1) * 2**14).astype(np.uint16), 0, 2**14, 2, 0)
    found = neighbours.levels(np.array([p["small"] for p in photos]))
    np.testing.assert_allclose(found[[3, 5]], [0, 1], atol=0.03)
    assert photos[3]["level"] > photos[0]["level"] + 0.4
    sharp = neighbours.sharpness(np.array([p["detail"] for p in photos]), found)
    assert np.delete(sharp, 7) == pytest.approx(1, abs=0.1) and sharp[7] < 0.7


def test_a_leaning_camera(waves):
    """Uprights turned by a known angle, over all photos evenly."""
    y, x = np.mgrid[:200, :300].astype(float)
    angles = np.linspace(0, 3, 10)
    pictures = [0.2 + 0.15 * np.sin((x * np.cos(a) + y * np.sin(a)) / 3) for a in np.radians(angles)]
    assert neighbours.drift(neighbours.leans(np.array(pictures, np.float32))) == pytest.approx(3, abs=0.3)


def test_dust_is_found_whether_all_is_held_or_a_few_rows_of_a_file(tmp_path, monkeypatch):
    y, x = np.mgrid[:160, :240]
    scene = 0.2 + 0.002 * np.random.default_rng(7).normal(size=(160, 240))
    dust = 2 ** (-0.4 * np.exp(-(np.square(x - 90) + np.square(y - 60)) / 8))
    pictures = np.array([dust * np.roll(scene, 5 * k, axis=1) for k in range(12)], np.float16)
    np.savez(tmp_path / "glance.npz", small=pictures)
    still = np.zeros((12, 2))
    (spot,) = held = neighbours.spots(pictures, still, 0.15)
    assert spot == pytest.approx((90.5 / 240, 60.5 / 160, 0.4), abs=0.1)
    usual = neighbours._usual(pictures, 1.0, 4.0)
    monkeypatch.setattr(neighbours, "BAND", 4 * 12 * 240 * 7)
    kept = Stack(tmp_path / "glance.npz", "small")
    assert neighbours.spots(kept, still, 0.15) == held
    np.testing.assert_array_equal(neighbours._usual(kept, 1.0, 4.0), usual)
    assert neighbours.spots(pictures[:11], still[:11], 0.15) == []


def test_one_photo_makes_no_clip(photos):
    shoot = {"photos": photos}
    assert audit.too_few(shoot, ["a.dng", "b.dng"], SETTINGS) is None
    alone = audit.too_few(shoot, ["a.dng"], SETTINGS)
    assert "only a.dng is left for the clip, which takes two photos at least" in alone
    assert "no photo is left for the clip" in audit.too_few(shoot, [], SETTINGS)


def test_a_first_photo_behind_the_last_is_told_as_such(photos):
    ends = {"first": "aaaa", "last": "aa"}
    said = audit.too_few({"photos": photos}, judge(photos, **ends)[1], SETTINGS | ends)
    assert said == "'first' is aaaa, which was taken after 'last', aa; change the two for each other"
    # One that cannot be read has no place in the order.
    photos[3]["problem"] = "is empty"
    assert "no photo is left for the clip" in audit.too_few({"photos": photos}, [], SETTINGS | ends)


@pytest.mark.parametrize(("step", "wide"), [(20, 24), (30, 22)])
def test_a_monument_that_stays_before_houses_that_go_by_is_no_knock(step, wide):
    """What two photos show most of the same is the houses in some pairs, the monument in others."""
    rng = np.random.default_rng(5)
    houses, monument = (
        cv2.GaussianBlur(np.exp(rng.normal(0, 1, (300, width))).astype(np.float32), (0, 0), 2) for width in (1400, 360)
    )
    before = np.s_[60:260, 180 - wide : 180 + wide]
    pictures = np.array([houses[:, step * k : step * k + 360] for k in range(14)])
    for picture in pictures:
        picture[before] = monument[before]
        picture += rng.normal(0, 0.01, picture.shape)
    assert 360 * np.hypot(*neighbours.aims(pictures).T).max() < 3


def test_what_a_walk_leaves_behind_is_no_dew():
    """Detail in a fourth of the tiles that ends after half of the walk; and all of it that goes, little by little."""
    rng = np.random.default_rng(6)
    usual = rng.uniform(0.5, 2, (1, 2, 12, 18)) * rng.uniform(0.97, 1.03, (20, 2, 12, 18))
    left = usual.copy()
    left[:10, :, :, :5] += 8
    assert neighbours.contrast(left, np.zeros(20)) == pytest.approx(1, abs=0.1)
    dewy = usual * np.linspace(1, 0.4, 20)[:, None, None, None]
    assert neighbours.contrast(dewy, np.zeros(20)) < 0.6
