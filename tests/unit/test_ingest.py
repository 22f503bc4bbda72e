"""The order in which photos were taken."""

import random as chance
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import ingest

names = st.text(st.sampled_from("AB_09"), min_size=1, max_size=6)
times = st.sampled_from(["2031-03-14T21:04:10", "2031-03-14T21:04:11", "2031-03-14T21:05:00"])
stamps = st.lists(st.tuples(times | st.none(), st.sampled_from([0.0, 0.25, 0.5]), names), max_size=12)


def records(stamps):
    return [
        {"time": time, "subsecond": part, "name": name, "offset": None, "count": None} for time, part, name in stamps
    ]


def ordered(stamps):
    return [stamps[k][2] for k in ingest.capture_order(records(stamps))[0]]


def walk(count=30, first=101, wrap=None, interval=13.37, subseconds=True):
    """Photos of an even walk, in order."""
    photos = []
    for k in range(count):
        moment = datetime(2031, 3, 14, 21, 4, 10) + timedelta(seconds=interval * k)
        number = first + k
        number = number - wrap if wrap and number > wrap else number
        part = moment.microsecond / 1e6 if subseconds else 0.0
        photos.append({
            "name": f"KW_{number:04d}.dng", "time": moment.replace(microsecond=0).isoformat(), "subsecond": part,
            "offset": None, "count": None,
        })  # fmt: skip
    return photos


def moved(photos, first, seconds):
    for p in photos[first:]:
        p["time"] = (datetime.fromisoformat(p["time"]) + timedelta(seconds=seconds)).isoformat()
    return photos


def found(photos, seed=5):
    """(the photos' places in the order found, seconds in that order, notes), from a shuffled folder."""
    shuffled = list(enumerate(photos))
    chance.Random(seed).shuffle(shuffled)
    order, seconds, notes = ingest.capture_order([p for _, p in shuffled])
    return [shuffled[k][0] for k in order], [seconds[k] for k in order], notes


def test_time_comes_before_the_name():
    # the camera's counter turned over from 9999 to 0001
    stamps = [("2031-03-14T21:04:10", 0.0, "IMG_9999"), ("2031-03-14T21:04:23", 0.0, "IMG_0001")]
    assert ordered(stamps[::-1]) == ["IMG_9999", "IMG_0001"]


def test_fraction_then_number_within_a_second():
    second = "2031-03-14T21:04:10"
    stamps = [(second, 0.5, "A1.dng"), (second, 0.0, "A10.dng"), (second, 0.0, "A9.dng")]
    assert ordered(stamps) == ["A9.dng", "A10.dng", "A1.dng"]


def test_a_photo_without_a_time_goes_by_its_number_if_the_others_agree():
    stamps = [("2031-03-14T21:04:12", 0.0, "A3.dng"), (None, 0.0, "A2.dng"), ("2031-03-14T21:04:10", 0.0, "A1.dng")]
    assert ordered(stamps) == ["A1.dng", "A2.dng", "A3.dng"]


def test_and_last_if_they_do_not():
    stamps = [("2031-03-14T21:04:10", 0.0, "A3.dng"), (None, 0.0, "A2.dng"), ("2031-03-14T21:04:12", 0.0, "A1.dng")]
    assert ordered(stamps) == ["A3.dng", "A1.dng", "A2.dng"]


@given(stamps)
def test_every_photo_once_and_times_ascend(stamps):
    order, seconds, _ = ingest.capture_order(records(stamps))
    assert sorted(order) == list(range(len(stamps)))
    if stamps and all(time for time, _, _ in stamps):
        assert [seconds[k] for k in order] == sorted(seconds)


@given(stamps, st.randoms())
def test_order_does_not_depend_on_the_folder_listing(stamps, random):
    # Names are told apart by their place in a folder.
    stamps = [(time, part, f"{k}/{name}") for k, (time, part, name) in enumerate(stamps)]
    shuffled = stamps[:]
    random.shuffle(shuffled)
    assert ordered(shuffled) == ordered(stamps)


@pytest.mark.parametrize("seed", range(20))
def test_shuffled_renamed_and_rolled_over(seed):
    straight = list(range(30))
    assert found(walk(), seed)[0] == straight
    assert found(walk(subseconds=False), seed)[0] == straight
    order, _, notes = found(walk(first=9985, wrap=9999), seed)
    assert order == straight
    assert notes[0][:2] == ("rolled_over", ["KW_9999.dng", "KW_0001.dng"])
    renamed = walk()
    numbers = chance.Random(seed).sample(range(1000), 30)
    for p, number in zip(renamed, numbers, strict=True):
        p["name"] = f"night {number}.dng"
    order, _, notes = found(renamed, seed)
    assert order == straight
    assert [n[0] for n in notes] == ["numbers_disorder"]


def test_rolled_over_without_times():
    photos = walk(first=9985, wrap=9999)
    for p in photos:
        p["time"] = None
    order, seconds, notes = found(photos)
    assert order == list(range(30))
    assert set(seconds) == {None}
    assert {n[0] for n in notes} == {"no_time", "rolled_over"}


@pytest.mark.parametrize("hours", [-1, 1, -0.5, -2, 9])
@pytest.mark.parametrize("rolled", [False, True])
def test_a_clock_set_within_the_shoot(hours, rolled):
    photos = walk(first=9985, wrap=9999) if rolled else walk()
    order, seconds, notes = found(moved(photos, 12, 3600 * hours))
    assert order == list(range(30))
    assert seconds == pytest.approx([13.37 * k for k in range(30)], abs=1.01)
    note = next(n for n in notes if n[0] == "clock_changed")
    assert note[1] == [photos[11]["name"], photos[12]["name"]]
    assert ("back" if hours < 0 else "ahead") in note[2]


def test_a_zone_that_the_camera_tells_needs_no_guess():
    photos = walk()
    for k, p in enumerate(photos):
        p["offset"] = 60 if k < 12 else 0
    order, seconds, notes = found(moved(photos, 12, -3600))
    assert order == list(range(30))
    assert notes == []
    assert seconds[-1] == pytest.approx(13.37 * 29, abs=1.01)


def test_a_long_rest_is_no_clock():
    _, seconds, notes = found(moved(walk(), 12, 3600 + 240))
    assert notes == []
    assert seconds[12] - seconds[11] == pytest.approx(3853, abs=2)


def test_the_cameras_own_count_outlives_a_renaming():
    photos = moved(walk(), 12, -3600)
    for k, p in enumerate(photos):
        p["name"], p["count"] = f"{(7 * k) % 30}.dng", 4000 + k
    assert found(photos)[0] == list(range(30))


def test_copies_come_after_the_photo():
    photos = [{**p, "checksum": p["name"]} for p in walk(5)]
    photos.append({**photos[2], "name": "KW_0103 (1).dng"})
    assert found(photos)[0] == [0, 1, 2, 5, 3, 4]


def test_two_cards_with_the_same_numbers():
    one, two = walk(5), moved(walk(5), 0, 65)
    photos = [{**p, "name": f"card{k}/100KW/{p['name']}"} for k, card in enumerate((one, two)) for p in card]
    assert found(photos)[0] == list(range(10))


def test_named_number():
    assert ingest.named_number("card1/100KW/KW_0101.dng") == ("KW_", 101)
    assert ingest.named_number("2031-03-14 7b.dng") == ("2031-03-14 ", 7)
    assert ingest.named_number("tram.dng") == ("tram", None)


@given(st.sets(st.integers(0, 30)), st.integers(1, 31))
def test_ranges_are_as_short_as_can_be_and_complete(chosen, count):
    listed = [f"{k}.dng" for k in range(count)]
    names = [f"{k}.dng" for k in chosen if k < count]
    spelt = []
    for entry in (said := ingest.ranges(names, listed)):
        first, _, last = entry.partition(" .. ")
        spelt += listed[listed.index(first) : listed.index(last or first) + 1]
    assert sorted(spelt) == sorted(names)
    assert len(said) == len([k for k in chosen if k < count and k - 1 not in chosen])


def test_the_balance_is_the_middle_photo_s_of_those_that_open():
    photos = [p | {"problem": None, "neutral": [2 + k, 1, 1.5], "daylight": [2, 1, 2]} for k, p in enumerate(walk(5))]
    photos[0]["problem"] = "is empty"
    assert ingest.shoot(photos)["balance"] == [5, 1, 1.5]
    photos[3]["neutral"] = None
    assert ingest.shoot(photos)["balance"] == [2, 1, 2]


def test_common_size_is_the_most_frequent_of_the_readable():
    photos = [{"width": 3, "height": 2, "problem": None}] * 2 + [{"width": 4, "height": 3, "problem": None}] * 3
    assert ingest.common_size([*photos, *[{"problem": "is empty"}] * 9]) == (4, 3)
    assert ingest.common_size(photos[:3] + photos[4:]) == (3, 2)
