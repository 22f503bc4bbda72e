"""The plan as a whole: parts agree with each other, every answer says where it comes from, the card holds it all."""

import datetime
import json
import math
import warnings
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg

from files import card as pdf
from kerbwalk.plan import card, exposure, geometry, text, whole
from kerbwalk.plan.answers import PlanError
from kerbwalk.plan.request import Request

FULL = Request(
    pace={"walk": 15.0},
    metered=exposure.Setting(8, 1 / 4, 100),
    owned=tuple(exposure.read_filter(mark) for mark in ("0.3", "0.9", "ND64")),
    focal=28.0,
    near=8.0,
    far=40.0,
    place=(53.5, 10.0),
    zone=ZoneInfo("Europe/Berlin"),
    date=datetime.date(2026, 12, 5),
    start=datetime.time(16, 15),
    card=64.0,
    cores=2,
)


def with_(**changes):
    return Request(**({name: getattr(FULL, name) for name in Request.__dataclass_fields__} | changes))


def values(plan, section):
    return {name: answer.value for name, answer in plan.sections[section].items()}


def test_the_parts_agree():
    plan = whole.make(FULL)
    paced, lens, light, kept = (values(plan, section) for section in ("pace", "lens", "light", "storage"))
    assert light["end"] - light["start"] == datetime.timedelta(minutes=paced["minutes"])
    assert lens["parallax"] == pytest.approx(lens["parallax_limit"] * paced["step"] / lens["step_limit"])
    assert lens["move_near"] - lens["move_far"] == pytest.approx(lens["parallax"], rel=0.001)
    assert kept["walk_megabytes"] == paced["photos"] * kept["megabytes"]
    assert all(change["photo"] <= paced["photos"] for change in light["changes"])


def test_every_answer_says_where_it_comes_from():
    for section, answers in whole.make(FULL).sections.items():
        for name, answer in answers.items():
            assert answer.because, (section, name)


def test_a_fitted_filter_leads_to_the_shutter_and_so_to_the_pace():
    plan = whole.make(with_(fitted=(exposure.read_filter("1.8"),), metered=exposure.Setting(8, 1 / 8, 100)))
    paced = values(plan, "pace")
    assert (paced["shutter"], paced["interval"]) == (8, 18)
    with pytest.raises(PlanError, match="stops too dark"):
        whole.make(with_(fitted=(exposure.read_filter("1.8"),), pace={"shutter": 3.0}))


def test_noise_reduction_is_counted_or_its_price_is_told():
    off, on = whole.make(FULL), whole.make(with_(noise_reduction=True))
    assert values(on, "pace")["minutes"] == values(off, "pace")["minutes"] + 6
    assert "6 minutes more" in off.sections["exposure"]["noise_reduction"].because
    assert any("noise reduction" in caution for caution in on.cautions)


def test_a_step_is_assumed_from_the_parallax_limit_where_nothing_else_tells_it():
    plan = whole.make(with_(pace={}))
    assert values(plan, "pace")["step"] == values(plan, "lens")["step_limit"]
    assert plan.sections["pace"]["walk"].rests_on == ("photos", "step")
    assert "step" not in whole.make(with_(pace={}, near=None)).sections["pace"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"pace": {"shutter": 0.5}}, "under 1 s"),
        ({"focal": 20.0}, "wider than 25 mm"),
        ({"pace": {"clip": 5.0, "photos": 100.0}}, "20 frames a second is no usual rate"),
        ({"pace": {"step": 1.0}}, "step is too long"),
        ({"focal": 85.0, "metered": exposure.Setting(2.8, 1, 100), "near": 4.0}, "not both sharp"),
        ({"start": datetime.time(14, 0)}, "sun is up"),
        ({"start": datetime.time(7, 50)}, "light rises"),
        ({"card": 2.0}, "2 cards"),
        ({"place": (40.7, 74.0), "zone": ZoneInfo("America/New_York")}, "zone do not fit"),
    ],
)
def test_what_is_warned_of(changes, words):
    assert any(words in caution for caution in whole.make(with_(**changes)).cautions)
    assert not any(words in caution for caution in whole.make(with_(focal=50.0, pace={"step": 0.05})).cautions)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"date": None}, "--date"),
        ({"near": 50.0}, "beyond far"),
        ({"start": None, "place": (75.0, 20.0), "date": datetime.date(2026, 6, 21)}, "no civil dusk"),
        ({"pace": {"step": 9.0}, "heading": 0.0}, "reaches near"),
        ({"focus": 0.05}, "too near"),
    ],
)
def test_what_is_refused(changes, words):
    with pytest.raises(PlanError, match=words):
        whole.make(with_(**changes))


def test_json_is_json():
    told = json.loads(json.dumps(whole.as_json(whole.make(with_(far=None))), allow_nan=False))
    assert told["lens"]["far"]["value"] is None
    assert told["light"]["start"]["value"] == "2026-12-05T16:15:00+01:00"
    assert told["pace"]["photos"] == {
        "value": 120, "unit": "", "because": "5 s at 24 frames a second", "kind": "assumed", "rests_on": ["photos"],
    }  # fmt: skip


def test_the_text_has_every_answer_and_the_drawing():
    said = text.full(whole.make(FULL))
    for words in (
        "120",
        "13 s",
        "0.3 + 0.9 (4 stops)",
        "64 GB",
        "civil dusk",
        "16:44",
        "assumed:",
        "╔",
        "65.5 degrees",
    ):
        assert words in said
    assert max(map(len, said.splitlines())) <= text.WIDTH


@pytest.mark.parametrize(("sensor", "rows"), [("full-frame", 15), ("four-thirds", 17)])
def test_the_drawing_is_to_scale(sensor, rows):
    size = geometry.SENSORS[sensor]
    lines = text.drawing(geometry.View(size, 24, geometry.frame(size, 16 / 9, 0.05), 1920))
    assert len(lines) == rows and {len(line) for line in lines} == {44}
    top = next(k for k, line in enumerate(lines) if "╔" in line)
    bottom = next(k for k, line in enumerate(lines) if "╚" in line)
    left, right = lines[top].index("╔"), lines[top].index("╗")
    inside = (right - left) / 43, (bottom - top) / (rows - 1)
    expected = [inner / side for inner, side in zip(geometry.frame(size, 16 / 9, 0.05), size, strict=True)]
    assert inside == pytest.approx(expected, abs=1.01 / (rows - 1))


def test_the_text_card():
    said = card.as_text(card.make(whole.make(FULL), "Old harbour"))
    assert said.startswith("Old harbour\nSat 05 Dec 2026, 16:15 to 16:41\n")
    assert max(map(len, said.splitlines())) <= card.WIDTH
    for words in (
        "[ ] manual focus, ring taped",
        "[ ] raw",
        "hold point:",
        "finder",
        "permission",
        "Local rules",
        "kerbs",
    ):
        assert words in said
    assert said.index("Local rules") < said.index("Traffic")


CROWDED = with_(
    pace={"clip": 6.0, "fps": 22.0, "step": 0.5},
    noise_reduction=True, metered=exposure.Setting(1.4, 1 / 8, 1600), aperture=2.8, iso=100.0, focal=14.0,
    sensor=(17.3, 13.0), near=1.0, far=None, place=(60.2, 24.9), start=datetime.time(15, 5), lamps=0.0, card=1.0,
)  # fmt: skip
SPARSE = Request()


@pytest.mark.parametrize(
    ("request_", "paper"),
    [
        *((FULL, "a5"), (CROWDED, "a6"), (CROWDED, "a5"), (SPARSE, "a6")),
        *((with_(start=datetime.time(23, 0)), "a6"), (with_(place=None), "a6")),
        *((with_(pace={"photos": 2.0}), "a6"), (with_(sensor=(24.0, 36.0), margin=0.3), "a6")),
    ],
)
def test_nothing_on_the_page_overlaps_or_leaves_it(request_, paper):
    name = "A walk of a very long name $ past a $ kiosk and a ferry stairs and more of it"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure = pdf.draw(card.make(whole.make(request_), name), paper)
        figure.set_dpi(200)
        renderer = FigureCanvasAgg(figure).get_renderer()
        texts = [(one.get_text(), one.get_window_extent(renderer)) for one in figure.axes[0].texts]
    width, height = figure.bbox.width, figure.bbox.height
    assert len(texts) > 25
    for said, box in texts:
        assert box.x0 >= 0.03 * width and box.x1 <= 0.97 * width, said
        assert box.y0 >= 0.02 * height and box.y1 <= 0.99 * height, said
    for place, (said, box) in enumerate(texts):
        for other, another in texts[:place]:
            across = min(box.x1, another.x1) - max(box.x0, another.x0)
            upright = min(box.y1, another.y1) - max(box.y0, another.y0)
            assert not (across > 1 and upright > 0.2 * min(box.height, another.height)), (said, other)


@given(st.sampled_from(sorted(geometry.SENSORS)), st.floats(8, 200), st.floats(0.5, 50), st.floats(0, 180))
def test_plans_for_any_lens(sensor, focal, near, heading):
    plan = whole.make(
        with_(sensor=geometry.SENSORS[sensor], focal=focal, near=near, far=None, heading=heading, pace={})
    )
    lens = values(plan, "lens")
    assert lens["parallax"] == pytest.approx(lens["parallax_limit"])
    assert lens["sharp_from"] <= lens["focus"] <= lens["sharp_to"]
    assert 0 < lens["aim_roll"] < 90
    assert all(not isinstance(value, float) or not math.isnan(value) for value in lens.values())
    text.full(plan)
