"""What a deliverable is judged by."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import quality

RNG = np.random.default_rng(4)
# Grain over something that grows lighter.
CLIP = np.clip(90 + np.arange(30)[:, None, None] + RNG.normal(0, 5, (30, 54, 96)), 0, 255).astype(np.uint8)
EXPECTED = {"frames": 30, "repeated": [], "black": [], "jumps": []}
FOUND = EXPECTED | {"vmaf": [96.0, 99.0], "illegal": [0.0]}


def test_a_clip_without_fault():
    assert quality.odd_frames(CLIP) == {"repeated": [], "black": [], "jumps": []}
    assert quality.faults(FOUND, EXPECTED, 95) == []


def test_what_stands_out_is_found():
    clip = CLIP.copy()
    clip[5] = clip[4]
    clip[12] = 1
    clip[20] = 255 - clip[20]
    found = quality.odd_frames(clip)
    assert found["repeated"] == [5]
    assert found["black"] == [12]
    assert {12, 20} <= set(found["jumps"]) and found["jumps"][0] >= 12


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"frames": 29}, "29 frames instead of 30"),
        ({"vmaf": [90.0, 96.0]}, "its VMAF is 93.0 on the mean, below 95"),
        ({"vmaf": [89.0, *[99.0] * 9]}, "its worst frame has a VMAF of 89.0, below 90"),
        ({"repeated": [3]}, "frame 4 is repeated"),
        ({"black": [0]}, "frame 1 is black"),
        ({"illegal": [0.0, 0.02]}, "2.0 % of a frame is outside the legal levels"),
    ],
)
def test_faults(change, word):
    assert word in quality.faults(FOUND | change, EXPECTED, 95)[0]


def test_what_was_so_before_is_no_fault():
    assert quality.faults(FOUND | {"repeated": [3]}, EXPECTED | {"repeated": [3]}, 95) == []


def test_what_stood_out_by_a_little_less_before_is_no_fault():
    """A step of 5.9 times the usual, 500 pixels of 5184 that change by 1, a mean of 2.2; and each a little beyond."""
    before = (100 + np.cumsum([4] * 10 + [23.6] + [4] * 19)[:, None, None] * np.ones((1, 54, 96))).astype(np.float32)
    before[:3] = 2.2
    before[21] = before[20]
    before[21].flat[:500] += 1
    after = before.copy()
    after[10:] += 0.8
    after[:3] = 1.9
    after[21] = after[20]
    asked = ((after,), (before,), (before, quality.MARGIN, quality.HARDLY))
    found, strict, wide = (quality.odd_frames(*given) for given in asked)
    for key in found:
        assert set(found[key]) - set(strict[key]) and not set(found[key]) - set(wide[key])


def test_what_is_not_like_enough_is_tried_finer_and_no_finer_than_nine():
    tried = [(15, False, 10.0, False)]
    while following := quality.another(tried, None):
        tried.append((*following, 12.0, False))
    assert [quality for quality, *_ in tried] == [15, 12, 9, 6]
    assert quality.another([(15, False, 10.0, True)], None) is None
    assert quality.another([(2, False, 10.0, False)], None) is None


@given(st.floats(1.05, 40), st.floats(2.5, 6), st.floats(-2, 3), st.floats(0, 0.3))
def test_what_is_too_large_comes_to_lie_within_its_rate(times, half, aside, bend):
    """Bits halve every `half` of CRF, and a little faster further off; the finest that fits is not given away."""
    most, tried = 25.0, [(15, False, 25.0 * times, None)]
    while following := quality.another(tried, most):
        octaves = (following[0] - 15 - aside) / half
        rate = most * times * 2 ** -(octaves + bend * octaves * abs(octaves) / 4)
        tried.append((*following, rate, False if rate <= most else None))
    assert 0.9 * most < tried[-1][2] <= most or tried[-1][0] == 0
    assert all(within for _, within, *_ in tried[1:])


def test_what_fits_and_is_like_enough_is_not_encoded_again():
    assert quality.another([(15, False, 80.0, None), (22.7, True, 12.0, True)], 25.0) is None
