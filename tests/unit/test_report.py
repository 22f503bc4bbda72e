"""What the report measures, against pictures whose movement and light are known, and the pages' small parts."""

import math

import cv2
import jinja2
import numpy as np
import PyOpenColorIO as ocio
import pytest
from scipy import ndimage

import index
import report as made
from files import pages
from files.reporting import photos, tables
from kerbwalk import camera, colour, report

SIDE = 160
POINT = (90.0, 70.0)


def texture(seed=1):
    """A picture full of detail, larger than a patch on every side."""
    noise = np.random.default_rng(seed).normal(size=(3 * SIDE, 3 * SIDE))
    return 9000 + 9000 * (ndimage.gaussian_filter(noise, 1.5) * 4 + ndimage.gaussian_filter(noise, 6) * 12)


def seen(picture, move, grow=1.0):
    """A patch of the picture whose POINT has moved by `move`, everything about it grown."""
    rows, columns = np.indices((SIDE, SIDE), dtype=float)
    there = [(rows - POINT[1] - move[1]) / grow, (columns - POINT[0] - move[0]) / grow]
    return ndimage.map_coordinates(picture, [one + 1.5 * SIDE for one in there], order=3).astype(np.float32)


def movement(patches):
    return report.movement([report.banded(patch) for patch in patches], POINT)


def about_mean(values):
    return values - values.mean(axis=0)


def test_movement_of_a_point_while_the_picture_grows_about_it():
    random = np.random.default_rng(2)
    moves = random.normal(0, 0.4, (15, 2))
    noise = random.normal(0, 250, (15, SIDE, SIDE)).astype(np.float32)
    picture = texture()
    patches = np.array([seen(picture, m, 1 + 0.005 * k) for k, m in enumerate(moves)]) + noise
    found, likeness = movement(patches)
    assert np.abs(about_mean(found) - about_mean(moves)).max() < 0.05
    assert likeness.min() > 0.8


def test_a_clock_that_grows_by_two_thirds_is_followed():
    """The marks of its dial fit the wrong ones as well, where only the shift of what has grown is known."""
    rows, columns = np.indices((3 * SIDE, 3 * SIDE)) - 1.5 * SIDE
    around, away = np.arctan2(rows, columns + 25), np.hypot(rows, columns + 25)
    dial = 12000 * (np.sin(60 * around) > 0.3) * (np.abs(away - 45) < 5) + 9000 * (np.sin(12 * around) > 0.8) * (
        away < 38
    )
    picture = ndimage.gaussian_filter(dial + 3000.0 * (away < 52), 0.7) + texture(8) / 10
    random = np.random.default_rng(7)
    moves, noise = random.normal(0, 0.3, (41, 2)), random.normal(0, 200, (41, SIDE, SIDE)).astype(np.float32)
    patches = np.array([seen(picture, m, 0.78 + 0.013 * k) for k, m in enumerate(moves)]) + noise
    found, likeness = movement(patches)
    assert np.abs(about_mean(found) - about_mean(moves)).max() < 0.1
    assert likeness.min() > 0.7


def test_movement_of_several_pixels_is_not_lost():
    moves = np.random.default_rng(3).uniform(-9, 9, (9, 2))
    picture = texture(4)
    found, _ = movement(seen(picture, m) for m in moves)
    assert np.abs(about_mean(found) - about_mean(moves)).max() < 0.05


def test_a_passer_by_does_not_move_the_point_and_a_covered_patch_is_known():
    picture = texture(5)
    patches = np.array([seen(picture, (0.0, 0.0)) for _ in range(9)])
    patches[3, :, 60:85] = 2000 + 500 * np.sin(np.arange(25))
    patches[6] = np.random.default_rng(6).normal(9000, 3000, (SIDE, SIDE))
    found, likeness = movement(patches)
    others = [0, 1, 2, 3, 4, 5, 7, 8]
    assert np.abs(found[others]).max() < 0.1
    assert likeness[6] < report.LIKE < likeness[others].min()


def test_patch_stays_inside_the_picture():
    assert report.patch_place((1000.0, 500.0), (160, 160), (1920, 1080)) == [920, 420]
    assert report.patch_place((3.0, 1079.0), (160, 160), (1920, 1080)) == [0, 920]


def test_hold_point_in_the_clip():
    # the plane's own pixels, and a crop at half the size: centres lie at integers in both
    assert report.hold_in_output((10, 20), (-0.5, -0.5, 1920, 1080), (1920, 1080)) == pytest.approx([10, 20])
    assert report.hold_in_output((100.5, 60.5), (-0.5, -0.5, 200, 100), (100, 50)) == pytest.approx([50, 30])


def test_area_that_a_crop_shows_of_a_photo():
    half = [[0.5, 0, 0], [0, 0.5, 0], [0, 0, 1]]
    crops = [(-0.5, -0.5, 300, 200), (10, 20, 150, 100)]
    found = report.kept_areas(crops, np.array([np.eye(3), half]), (300, 200))
    assert found == pytest.approx([1, 0.25 / 4])


def test_linear_light_is_bt1886():
    # ITU-R BT.1886, annex 1, black at zero: L = V^2.4
    light = report.linear_light(np.array([0, 32768, 65535], np.uint16))
    assert light == pytest.approx([0, (32768 / 65535) ** 2.4, 1], rel=1e-5)


def test_deviation_keeps_dusk_and_shows_flicker():
    dusk = 0.2 * np.exp(-np.arange(120) / 200)
    assert np.abs(report.deviation(dusk)).max() < 1e-3
    flickering = dusk.copy()
    flickering[60] *= 1.02
    assert report.deviation(flickering)[60] == pytest.approx(0.02, abs=0.004)
    # Two stops within a second: it begins slowly, and ends so.
    short = 2.0 ** (np.cos(np.linspace(0, np.pi, 28)) - 1)
    assert report.rms(report.deviation(short)) < 0.004


def test_deviation_keeps_clouds_and_shows_a_step_a_flash_and_flicker():
    """Clouds that come and go within 25 photos, which the kept trend follows."""
    clouds = 0.2 * (1 + 0.15 * np.sin(2 * np.pi * np.arange(60) / 25))
    assert report.rms(report.deviation(clouds)) < 0.004
    flicker = np.random.default_rng(1).normal(0, 0.01, 60)
    assert report.rms(report.deviation(clouds * (1 + flicker))) == pytest.approx(0.01, rel=0.2)
    for k, wrong in ((30, np.arange(60) == 30), (40, np.arange(60) >= 40)):
        off = np.where(wrong, 0.03, 0) + 0.1 * flicker
        assert report.deviation(1 + off) == pytest.approx(np.expm1(off - report.curve(off)), abs=1e-3), k


@pytest.mark.parametrize("count", [1, 2, 3, 6, 7, 40])
def test_curve_through_any_number_of_frames(count):
    line = 3 + 0.5 * np.arange(count)
    assert report.curve(line) == pytest.approx(line)


def test_lasting_levels_ignore_lamps_that_pass():
    random = np.random.default_rng(7)
    scene = 0.05 + 0.3 * ndimage.gaussian_filter(random.uniform(size=(60, 100)), 4)
    gains = 1 + random.normal(0, 0.01, 12)
    pictures = (scene * gains[:, None, None]).astype(np.float32)
    # a lamp's light falls off with distance, so that every place has its own share of it
    pictures[5, :35] *= np.linspace(1.05, 1.4, 35, dtype=np.float32)[:, None]
    found, sure = report.lasting_levels(pictures)
    assert found / found.mean() == pytest.approx(gains / gains.mean(), abs=1e-3)


def test_lasting_levels_of_a_walk_that_goes_far_from_frame_to_frame():
    """Away from what it looks at, so that each place comes to lie where it is brighter, or darker."""
    random = np.random.default_rng(11)
    noise = [ndimage.gaussian_filter(random.uniform(size=(240, 400)), sigma) for sigma in (2, 12)]
    scene = (0.02 + 0.1 * noise[0] + 6 * (noise[1] - noise[1].min())).astype(np.float32)
    gains = 1 + random.normal(0, 0.003, 30)
    pictures = []
    for k, gain in enumerate(gains):
        size = 1.012**k
        about = np.float32([[size, 0, 200 * (1 - size)], [0, size, 160 * (1 - size)]])
        shown = cv2.warpAffine(scene, about, (400, 240), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=4)
        pictures.append(np.float32(gain) * shown)
    levels, sure = report.lasting_levels(pictures)
    off = report.deviation(levels, sure) - report.deviation(gains, sure)
    assert sure.sum() > 20 and report.rms(off[sure]) < 2.5e-4


def test_lasting_levels_of_one_black_frame():
    for count in (1, 3):
        levels, sure = report.lasting_levels(np.zeros((count, 8, 8), np.float32))
        assert levels == pytest.approx(np.ones(count)) and sure.all()


def test_of_a_few_frames_with_a_bus_some_are_sure():
    rng = np.random.default_rng(5)
    pictures = np.full((3, 40, 40), 0.1, np.float32)
    pictures[1] *= 1 + rng.uniform(0, 0.5, (40, 40))
    for shown in (pictures, pictures[:2]):
        assert report.lasting_levels(shown)[1].any()


def test_light_that_most_places_share_with_a_bus_is_not_sure():
    """What is seen of a bus at each place goes up and down over five frames; a flash that all places share is sure."""
    random = np.random.default_rng(3)
    scene = 0.05 + 0.3 * ndimage.gaussian_filter(random.uniform(size=(60, 100)), 4)
    gains = 1 + random.normal(0, 0.004, 40)
    gains[30] *= 1.05
    pictures = scene * gains[:, None, None] * (1 + random.normal(0, 0.003, (40, 60, 100)))
    lit = np.add.outer(np.linspace(0.02, 0.4, 60), np.linspace(0, 0.2, 100))
    for k, part in zip(range(14, 19), (0.4, 0.8, 1, 0.7, 0.3), strict=True):
        pictures[k] *= 1 + part * np.roll(lit, 9 * k, axis=1)
    levels, sure = report.lasting_levels(pictures.astype(np.float32).repeat(4, axis=1).repeat(4, axis=2))
    assert not sure[14:19].any() and sure[[*range(11), *range(22, 40)]].all()
    off = report.deviation(levels, sure) - report.deviation(gains, sure)
    assert np.abs(off[sure]).max() < 0.004
    assert report.deviation(levels, sure)[30] == pytest.approx(0.05, abs=0.01)


def test_a_curve_goes_by_what_is_sure():
    line = 3 + 0.5 * np.arange(40)
    sure = np.ones(40, bool)
    sure[15:20] = False
    assert report.curve(line + ~sure, sure)[sure] == pytest.approx(line[sure])
    # Of too little that is sure all is taken.
    assert report.curve(line, np.arange(40) < 3) == pytest.approx(line)


def test_rms_and_drift():
    moves = np.column_stack([0.03 * np.arange(11), np.zeros(11)])
    every = np.ones(11, bool)
    assert report.drift(moves, every) == pytest.approx(0.3)
    moves[4] = 99
    every[4] = False
    assert report.drift(moves, every) == pytest.approx(0.3)
    assert report.rms(np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])) == pytest.approx(1)


def test_1080p_pixels():
    assert report.to_1080p((1920, 1080)) == 1
    assert report.to_1080p((3840, 2160)) == 0.5
    assert report.to_1080p((1440, 1080)) == 1


@pytest.mark.parametrize(
    ("path", "wanted"),
    [
        ("a b/c_hd.mp4", "./a%20b/c_hd.mp4"),
        ("javascript:alert(1)/x", "./javascript%3Aalert%281%29/x"),
        ('50%20 #?"<ü>/x', "./50%2520%20%23%3F%22%3C%C3%BC%3E/x"),
    ],
)
def test_url_says_nothing_but_the_name(path, wanted):
    assert pages.url(path) == wanted


def test_signed_numbers():
    assert [pages.signed(v, 1) for v in (1.23, -1.23, -0.04, 0.0)] == ["+1.2", "−1.2", "0.0", "0.0"]


def test_chart_of_a_series_with_a_gap():
    c = pages.chart("t", "px", [("a", np.array([0.0, 1.0, math.nan, 3.0]))], band=0.5, marks=[1], shaded=[2])
    (line,) = c["lines"]
    assert len(line["parts"]) == 2
    assert line["parts"][0].startswith("125.0,")
    assert c["marks"] == [250.0]
    assert c["shaded"] == [(500.0, 250.0)]
    assert "from 0.0 to +3.0 px" in c["summary"]
    assert all(-1e-6 <= place <= 100 + 1e-6 for place, _ in c["rows"])


def test_limits_of_charts():
    values = [("a", np.array([13.0, 14.0]))]
    late = pages.chart("t", "s", values, most=22.75)
    assert 0 < late["most"] < 100 and late["limit"] == "limit 22.8 s"
    assert pages.chart("t", "px", values, band=0.5)["limit"] == "limit ±0.5 px"
    # what never is below nought has no sign
    assert {text[0] for _, text in late["rows"]} <= set("0123456789")


def test_values_of_findings():
    assert [pages.measured(v, "s") for v in (None, "Lens", 3, 0.03893)] == ["–", "Lens", "3 s", "0.0389 s"]


def test_the_look_as_a_cube_is_right_to_a_step_of_255():
    steps = ocio.GroupTransform()
    steps.appendTransform(ocio.MatrixTransform([1.4, -0.3, -0.1, 0, -0.2, 1.3, -0.1, 0, 0, -0.4, 1.4, 0, 0, 0, 0, 1]))
    steps.appendTransform(ocio.RangeTransform(0, 1, 0, 1))
    steps.appendTransform(ocio.ExponentTransform(value=[2.4] * 3 + [1], direction=ocio.TRANSFORM_DIR_INVERSE))
    look = ocio.Config.CreateRaw().getProcessor(steps).getDefaultCPUProcessor()
    # Colours of some saturation; what is clipped in one channel alone is off by more.
    light = np.random.default_rng(8).uniform(0.6, 1, (40, 60, 3)) * np.linspace(0.1, 0.95, 40)[:, None, None] ** 2
    light = light.astype(np.float32)
    exact, quick = light.copy(), (light / photos.TOP) ** np.float32(0.25)
    look.applyRGB(exact)
    photos.cube(look).applyRGB(quick)
    assert np.quantile(np.abs(255 * (quick - exact)), 0.99) < 1


def test_chart_of_nothing_known_and_of_one_steady_value():
    assert pages.chart("t", "px", [("a", np.full(3, math.nan))])["lines"][0]["parts"] == []
    assert pages.chart("t", "px", [("a", np.full(1, 2.0))])["lines"][0]["parts"]


def test_pages_escape_and_refuse_missing_values():
    card = {"name": "<b>", "page": "<b>/report.html"}
    with pytest.raises(jinja2.UndefinedError, match="thumbnail"):
        pages.render("index.html", cards=[card], unfinished=[], earlier={})
    page = pages.render("index.html", cards=[], unfinished=[("<b>", ["<i>"])], earlier={})
    assert "&lt;b&gt;" in page and "&lt;i&gt;" in page and "<b>" not in page


CARD = {
    "name": "<walk>",
    "page": "<walk>/report.html",
    "clips": [{"path": "<walk>/.walk-1_hd.mp4", "name": "<walk>_hd.mp4"}],
    "taken": "2031-03-14",
    "frames": 24,
    "seconds": 1.0,
    "size": [1920, 1080],
    "hold_rms": 0.1,
    "panned": False,
    "amiss": [],
    "flicker": 0.1,
    "unsure": None,
    "retained": 0.8,
    "findings": {"fault": 0, "warning": 0, "note": 0},
    "stood_in": 0,
    "left": 0,
    "thumbnail": {"src": "data:,", "width": 480, "height": 270},
}


def test_the_index_says_what_is_amiss():
    said = "its light is even to 1.20 % only (limit: 0.4); see <it>"
    page, well = (
        pages.render("index.html", cards=[CARD | {"amiss": found}], unfinished=[], earlier={}) for found in ([said], [])
    )
    assert '<p class="bad">Its light is even to 1.20 % only (limit: 0.4); see &lt;it&gt;</p>' in page
    assert 'class="bad"' not in well
    assert '<a href="./%3Cwalk%3E/.walk-1_hd.mp4">&lt;walk&gt;_hd.mp4</a>' in page


def test_what_is_amiss_is_said_in_sentences():
    framing = {"moves": None, "of_aspect": 0.9, "retained": 0.7}
    well = {"hold_rms": 0.1, "panned": False, "flicker": 0.1}
    assert made.amiss(well, framing, {}) == []
    assert made.amiss(well | {"hold_rms": None, "panned": True}, framing, {}) == []
    for measured, cropped, words in (
        ({"hold_rms": report.HOLD_BAR}, {}, "its hold point is still to 0.50 px only (limit: 0.5)"),
        ({"hold_rms": None}, {}, "its hold point is seen in fewer than half"),
        ({"flicker": report.FLICKER_BAR}, {}, "its light is even to 0.40 % only (limit: 0.4 %)"),
        ({}, {"of_aspect": 0.3, "retained": 0.25}, "its crop keeps 25% of the photos"),
    ):
        (said,) = made.amiss(well | measured, framing | cropped, {})
        assert said.startswith(words)
    for hold_in, words in (
        ({}, "choose another in"),
        ({"a.dng": [0.4, 0.3]}, "correct 'hold_in', or choose another in"),
    ):
        (said,) = made.amiss(well | {"hold_rms": 17}, framing, hold_in)
        assert said == f"its hold point is still to 17.00 px only (limit: 0.5); {words} its report"


def test_of_upright_photos_it_is_said_how_little_a_wide_clip_shows():
    wide, upright = ({"output": output, "retained": 0.352} for output in ([1920, 1080], [1080, 1920]))
    (said,) = made.across([600, 900], wide, {"fps": "shoot.yaml"})
    assert said.startswith("its crop keeps 35% of the photos, which stand upright; for an upright clip write")
    for size, framing, origins in (
        ([900, 600], wide, {}),
        ([600, 900], upright, {}),
        ([600, 900], wide, {"aspect": "x"}),
    ):
        assert made.across(size, framing, origins) == []


def test_the_index_tells_when_a_shoot_was_taken_where_that_is_known():
    shown = {"unfinished": [], "earlier": {}}
    for taken, said in (("2031-03-14", '<p class="soft">2031-03-14, 24 frames'), (None, '<p class="soft">24 frames')):
        assert said in pages.render("index.html", cards=[CARD | {"taken": taken}], **shown)


def test_the_index_tells_in_how_many_frames_the_light_is_not_sure():
    shown = {"unfinished": [], "earlier": {}}
    card = CARD | {"unsure": {"frames": 5, "most": 3.7}}
    assert "(not sure in 5 frames)" in pages.render("index.html", cards=[card], **shown)


def test_what_wants_to_be_looked_at_stands_first_in_the_index():
    well = CARD
    warned = well | {"findings": well["findings"] | {"warning": 2}}
    bad = [well | {"amiss": ["its hold point is still to 0.62 px only"]}]
    unsure = well | {"unsure": {"frames": 5, "most": 3.7}}
    panned = well | {"hold_rms": None, "panned": True}
    noted = well | {"findings": well["findings"] | {"note": 9}}
    assert sorted([well, warned, noted, *bad, panned, unsure], key=index.calm) == [
        *bad,
        warned,
        unsure,
        well,
        noted,
        panned,
    ]


def test_clips_are_called_by_the_shoots_true_name():
    clips = tables.clips([".walk-1/.walk-1_hd.mp4", "walk/draft/draft.mp4"], "<walk>")
    assert clips == [{"file": ".walk-1_hd.mp4", "name": "<walk>_hd.mp4"}, {"file": "draft.mp4", "name": "draft.mp4"}]


def test_photos_that_the_clip_does_without_are_listed_with_the_reason():
    names = "abcd"
    ingest = {"photos": [{"name": name} for name in names]}
    audit = {"findings": [{"photos": ["d"], "severity": "fault", "code": "damaged", "message": "d is cut off"}]}
    bumped = {"name": "b", "placed": False, "problem": "bumped"}
    photos = [{"name": "a", "placed": True}, bumped, {"name": "c", "placed": True, "dropped": "for an even pace"}]
    warps = {"photos": photos, "frames": [[("a", 1.0)]]}
    found = tables.absent(ingest, audit, warps)
    assert [(one["name"], one["reason"]) for one in found] == [
        ("b", "bumped"),
        ("c", "for an even pace"),
        ("d", "d is cut off"),
    ]
    assert not any(one["instead"] for one in found)
    warps["frames"] = [[("a", 1.0)], [("a", 0.5), ("c", 0.5)], [("c", 1.0)]]
    assert tables.absent(ingest, audit, warps)[0]["instead"] == ["a", "c"]


def test_the_white_balance_as_shot_is_told_in_kelvin():
    matrix = {"kelvin": [2856], "xyz_to_camera": [colour.XYZ_TO_BT709.tolist()]}
    neutral = 1 / camera.neutral_of(matrix, colour.white_from_kelvin(3220))
    assert made.as_shot({"matrix": matrix, "neutral": neutral.tolist()}) == 3200
    assert made.as_shot({"matrix": None, "neutral": neutral.tolist()}) is None
    assert made.as_shot({"matrix": matrix, "neutral": [1, -1, 1]}) is None


@pytest.mark.parametrize(("panned", "words"), [(True, "A pan"), (False, "Hold point not seen")])
def test_the_index_tells_a_pan_from_a_point_that_is_not_seen(panned, words):
    card = CARD | {"hold_rms": None, "panned": panned}
    page = pages.render("index.html", cards=[card], unfinished=[], earlier={})
    assert words in page


def test_the_index_leads_to_what_an_earlier_run_made_of_a_shoot_that_failed():
    shown = {"cards": [], "unfinished": [("<walk>", ["a reason"])]}
    page = pages.render("index.html", earlier={"<walk>": CARD}, **shown)
    assert '<a href="./%3Cwalk%3E/report.html">' in page and '<a href="./%3Cwalk%3E/.walk-1_hd.mp4">' in page
    assert "href" not in pages.render("index.html", earlier={}, **shown).partition("<body>")[2]
