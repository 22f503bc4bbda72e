"""Dials, filters and shutters."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk.plan import exposure
from kerbwalk.plan.answers import PlanError
from kerbwalk.plan.exposure import Filter, Setting


def test_a_dial_s_numbers_stand_for_thirds_of_stops():
    assert [exposure.av(number) for number in (1, 2, 5.6, 8, 6.3)] == pytest.approx([0, 2, 5, 6, 16 / 3])
    assert [exposure.tv(time) for time in (30, 15, 1, 0.5, 1 / 60, 1 / 1000)] == pytest.approx([-5, -4, 0, 1, 6, 10])
    assert [exposure.sv(iso) for iso in (100, 125, 3200)] == pytest.approx([5, 16 / 3, 10])
    assert exposure.true_shutter(30) == pytest.approx(32)
    assert exposure.true_shutter(1 / 8000) == pytest.approx(1 / 8192)
    assert exposure.true_shutter(3) == pytest.approx(3)  # on no dial
    assert exposure.true_shutter(60) == pytest.approx(60)  # a timer's


@pytest.mark.parametrize("series", [exposure.THIRD_APERTURES, exposure.THIRD_TIMES, exposure.THIRD_SPEEDS])
def test_every_mark_is_within_a_tenth_of_a_stop_of_what_it_stands_for(series):
    value = {1: exposure.av, 30: exposure.tv, 25: exposure.sv}[series[0]]
    formula = {
        1: lambda n: 2 * math.log2(n),
        30: lambda t: -math.log2(t),
        25: lambda s: math.log2(s / 3.125),
    }[series[0]]
    assert [value(mark) for mark in series] == pytest.approx([value(series[0]) + k / 3 for k in range(len(series))])
    assert all(abs(value(mark) - formula(mark)) < 0.16 for mark in series)


@pytest.mark.parametrize(
    ("mark", "stops"),
    [
        ("0.3", 1), ("ND 0.9", 3), ("1.8", 6), ("ND8", 3), ("nd64", 6), ("x1024", 10), ("2x", 1), ("6 stops", 6),
        ("1 stop", 1), ("3EV", 3), ("ND1000", 9.966),
    ],
)  # fmt: skip
def test_filters_by_all_their_marks(mark, stops):
    assert exposure.read_filter(mark).stops == pytest.approx(stops, abs=0.025)


@pytest.mark.parametrize("mark", ["8", "grey", "0.0", "ND1", "-1 stops", "100 stops", ""])
def test_marks_that_say_nothing_or_two_things_are_refused(mark):
    with pytest.raises(PlanError):
        exposure.read_filter(mark)


@pytest.mark.parametrize("text", ["f/8 1/4 ISO 100", "8, 0.25, 100", "F8 1/4s iso100", "f 8 ; 1/4 ; 100"])
def test_settings_as_they_are_typed(text):
    assert exposure.read_setting(text) == Setting(8, 0.25, 100)


@pytest.mark.parametrize("text", ["f/8", "1/4 ISO 100", "f/8 1/0 ISO 100", "f/0 1/4 100", "a b c"])
def test_other_texts_are_refused(text):
    with pytest.raises(PlanError):
        exposure.read_setting(text)


def test_six_stops_turn_an_eighth_of_a_second_into_eight():
    metered = Setting(8, 1 / 8, 100)
    assert exposure.stops_to_take(metered, Setting(8, 8, 100)) == pytest.approx(6)
    assert exposure.shutter_through(metered, 8, 100, 6) == pytest.approx(8)
    # two stops of aperture and one of ISO more take half of it
    assert exposure.stops_to_take(metered, Setting(16, 8, 200)) == pytest.approx(5)


settings = st.builds(
    Setting,
    st.sampled_from(exposure.THIRD_APERTURES),
    st.floats(1e-4, 600),
    st.sampled_from(exposure.THIRD_SPEEDS),
)


@given(settings, settings)
def test_filter_and_shutter_are_each_other_s_inverse(metered, wanted):
    stops = exposure.stops_to_take(metered, wanted)
    seconds = exposure.shutter_through(metered, wanted.aperture, wanted.iso, stops)
    assert seconds == pytest.approx(exposure.true_shutter(wanted.shutter))
    assert exposure.stops_to_take(wanted, metered) == pytest.approx(-stops)


def test_stacks_of_those_owned():
    owned = [exposure.read_filter(mark) for mark in ("0.3", "0.9", "ND64", "10 stops")]
    assert exposure.named(exposure.combinations(owned, 7.1)[0]) == "0.3 + ND64 (7 stops)"
    assert exposure.combinations(owned, 0.2)[0] == []
    assert all(len(stack) <= exposure.MOST_STACKED for stack in exposure.combinations(owned, 30))
    # one filter rather than two of the same sum
    twice = [Filter("a", 0.3), Filter("b", 0.3), Filter("c", 0.6)]
    assert exposure.combinations(twice, 2)[0] == [twice[2]]


@pytest.mark.parametrize(("seconds", "mark"), [(7.9, 8), (32, 30), (0.26, 0.25), (45.3, 45), (2.8, 2.5), (2.9, 3.2)])
def test_the_mark_on_the_dial(seconds, mark):
    assert exposure.on_dial(seconds) == mark
