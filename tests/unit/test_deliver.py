"""The sizes of the deliverables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import deliver


@pytest.mark.parametrize(
    ("aspect", "expected"),
    [(16 / 9, (1920, 1080)), (1, (1080, 1080)), (9 / 16, (608, 1080)), (4, (1920, 480)), (4 / 3, (1440, 1080))],
)
def test_output_size(aspect, expected):
    assert deliver.output_size(deliver.MASTER_BOX, aspect) == expected


@given(st.fractions(0.25, 4))
def test_output_is_even_and_fills_the_box(aspect):
    width, height = deliver.output_size((1920, 1080), aspect)
    assert width % 2 == height % 2 == 0
    assert width == 1920 or height == 1080
    assert width <= 1920 and height <= 1080
    assert abs(width - height * aspect) <= 1 + aspect
