"""The pace: what follows from what, what is refused, and that answers always agree with each other."""

import math
import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kerbwalk.plan import pace
from kerbwalk.plan.answers import ASKED, ASSUMED, PlanError

NAMES = list(pace.UNITS)


def solved(noise_reduction=False, **asked):
    answers = pace.solve(asked, 24.0, noise_reduction)
    return {name: answer.value for name, answer in answers.items()}


def test_the_example_of_the_trade():
    answers = pace.solve({"shutter": 3.0, "move": 10.0, "photos": 120.0}, 24.0)
    assert {name: answer.value for name, answer in answers.items()} == pytest.approx(
        {"shutter": 3, "move": 10, "interval": 13, "photos": 120, "minutes": 26, "clip": 5, "fps": 24}
    )
    assert answers["interval"].because == "shutter + time to move"
    assert answers["interval"].rests_on == ()
    assert answers["clip"].rests_on == ("fps",)
    assert answers["fps"].kind == ASSUMED


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ({"clip": 5}, {"photos": 120, "minutes": 26}),
        ({"clip": 5.01}, {"photos": 121, "clip": 121 / 24}),  # never shorter than asked
        ({"clip": 4, "photos": 120}, {"fps": 30}),
        ({"minutes": 26, "photos": 120}, {"interval": 13, "move": 10}),
        ({"minutes": 26.2, "interval": 13}, {"photos": 120, "minutes": 26}),  # never longer than there is time
        ({"minutes": 60, "photos": 120, "shutter": 3, "move": 10}, {"minutes": 26}),
        ({"interval": 13, "move": 9}, {"shutter": 4}),
        ({"walk": 30, "step": 0.25}, {"photos": 121}),
        ({"walk": 30, "photos": 121}, {"step": 0.25}),
        ({"walk": 30, "step": 0.25, "clip": 5}, {"photos": 120, "walk": 29.75, "fps": 24}),  # a step short
        ({"step": 0.25, "photos": 121}, {"walk": 30}),
        ({"clip": 10, "walk": 60, "step": 0.25, "fps": 24.1}, {"photos": 241}),
    ],
)
def test_what_follows(asked, expected):
    found = solved(**asked)
    assert {name: found[name] for name in expected} == pytest.approx(expected)


def test_noise_reduction_doubles_the_shutter_time():
    assert solved(True, shutter=3, move=10)["interval"] == 16
    assert solved(True, interval=16, move=10)["shutter"] == 3


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"clip": 5, "fps": 24, "photos": 100}, ["100 photos", "24 frames a second", "4.167 s", "5 s", "--clip"]),
        ({"shutter": 3, "move": 10, "interval": 12}, ["13 s", "12 s", "--interval"]),
        ({"minutes": 20, "photos": 120, "shutter": 3, "move": 10}, ["26 minutes", "20 minutes"]),
        ({"walk": 60, "step": 0.25, "photos": 120}, ["29.75 m", "60 m"]),
        ({"interval": 2, "shutter": 3}, ["an interval of 2 s", "3 s", "no time to move"]),
        ({"interval": 2}, ["an interval of 2 s", "3 s"]),
        ({"minutes": 0.1}, ["room for 0 photos"]),
        ({"photos": 12.5}, ["12.5", "whole number"]),
        ({"photos": 1}, ["whole number"]),
        ({"photos": 200_000}, ["whole number"]),
        ({"clip": 1e6}, ["whole number"]),
    ],
)
def test_what_is_refused(asked, words):
    with pytest.raises(PlanError) as refused:
        solved(**asked)
    assert all(word in str(refused.value) for word in words), str(refused.value)
    assert "\n" not in str(refused.value)


def consistent(answers, noise_reduction, asked):
    """The four relations, computed here anew, and that what was asked is kept or come near to as promised."""
    q = {name: answer.value for name, answer in answers.items()}
    assert q["photos"] == round(q["photos"]) >= 2
    assert q["clip"] == pytest.approx(q["photos"] / q["fps"], rel=3e-6)
    assert q["interval"] == pytest.approx((1 + noise_reduction) * q["shutter"] + q["move"], rel=3e-6)
    assert q["minutes"] * 60 == pytest.approx(q["photos"] * q["interval"], rel=3e-6)
    assert ("walk" in q) == ("step" in q)
    if "step" in q:
        assert q["walk"] == pytest.approx((q["photos"] - 1) * q["step"], rel=3e-6)
    assert all(value > 0 and math.isfinite(value) for value in q.values())
    for name, value in asked.items():
        if name == "clip":
            assert abs(q[name] - value) * q["fps"] < 1
        elif name == "minutes":
            assert q[name] <= value * (1 + 3e-6)
        elif name == "walk":
            assert abs(q[name] - value) <= q["step"] * (1 + 3e-6)
        else:
            assert q[name] == value and answers[name].kind == ASKED
    assumed = {name for name, answer in answers.items() if answer.kind == ASSUMED}
    for answer in answers.values():
        assert set(answer.rests_on) <= assumed


@settings(max_examples=10_000, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True, database=None)
@given(st.integers(0, 2**48))
def test_ten_thousand_random_questions_are_answered_consistently_or_refused(seed):
    """Half of them any numbers, half taken from one true walk, of which a sufficient part must give the walk back."""
    chance = random.Random(seed)
    noise_reduction = chance.random() < 0.3
    names = chance.sample(NAMES, chance.randint(0, 6))
    fps = chance.choice((24000 / 1001, 24.0, 25.0, 30.0, 60.0))
    photos = chance.randint(2, 3000)
    shutter, move = 10 ** chance.uniform(-2, 2), 10 ** chance.uniform(-1, 2)
    step = 10 ** chance.uniform(-2, 0.5)
    interval = (1 + noise_reduction) * shutter + move
    truth = {"photos": photos, "fps": fps, "shutter": shutter, "move": move, "step": step, "interval": interval}
    truth |= {"clip": photos / fps, "minutes": photos * interval / 60, "walk": (photos - 1) * step}
    true_walk = chance.random() < 0.5
    wild = {name: truth[name] * 10 ** chance.uniform(-1, 1) for name in names} | {"photos": chance.randint(2, 3000)}
    asked = {name: (truth if true_walk else wild)[name] for name in names}
    try:
        answers = pace.solve(asked, 24.0, noise_reduction)
    except PlanError as refused:
        assert str(refused)
        # numbers of one walk contradict each other only through what is assumed beside them
        assert not (true_walk and {"fps", "shutter", "move"} <= set(names))
        return
    consistent(answers, noise_reduction, asked)
    if true_walk:
        for name, answer in answers.items():
            if not answer.rests_on:
                assert answer.value == pytest.approx(truth[name], rel=1e-5)
