"""The order in which photos were taken."""

from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import ingest

names = st.text(st.sampled_from("AB_09"), min_size=1, max_size=6)
times = st.sampled_from(["2031-03-14T21:04:10", "2031-03-14T21:04:11", "2031-03-14T21:05:00"])
stamps = st.lists(st.tuples(times | st.none(), st.sampled_from([0.0, 0.25, 0.5]), names), max_size=12)


def ordered(stamps):
    return [stamps[k][2] for k in ingest.capture_order(stamps)]


def test_time_comes_before_the_name():
    # the camera's counter turned over from 9999 to 0001
    stamps = [("2031-03-14T21:04:10", 0.0, "IMG_9999"), ("2031-03-14T21:04:23", 0.0, "IMG_0001")]
    assert ordered(stamps[::-1]) == ["IMG_9999", "IMG_0001"]


def test_fraction_then_number_within_a_second():
    second = "2031-03-14T21:04:10"
    stamps = [(second, 0.5, "A1"), (second, 0.0, "A10"), (second, 0.0, "A9")]
    assert ordered(stamps) == ["A9", "A10", "A1"]


def test_one_photo_without_a_time_leaves_the_order_to_the_names():
    stamps = [("2031-03-14T21:04:10", 0.0, "A3"), (None, 0.0, "A2"), ("2031-03-14T21:04:12", 0.0, "A1")]
    assert ordered(stamps) == ["A1", "A2", "A3"]


@given(stamps)
def test_every_photo_once_and_times_ascend(stamps):
    order = ingest.capture_order(stamps)
    assert sorted(order) == list(range(len(stamps)))
    if stamps and all(time for time, _, _ in stamps):
        keys = [stamps[k][:2] for k in order]
        assert keys == sorted(keys)


@given(stamps, st.randoms())
def test_order_does_not_depend_on_the_folder_listing(stamps, random):
    shuffled = stamps[:]
    random.shuffle(shuffled)
    assert ordered(shuffled) == ordered(stamps)


def test_common_size_is_the_most_frequent_of_the_readable():
    photos = [{"width": 3, "height": 2, "problem": None}] * 2 + [{"width": 4, "height": 3, "problem": None}] * 3
    assert ingest.common_size([*photos, *[{"problem": "is empty"}] * 9]) == (4, 3)
    assert ingest.common_size(photos[:3] + photos[4:]) == (3, 2)
