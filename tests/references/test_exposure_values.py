"""APEX as in EXIF (CIPA DC-008, annex with the table of APEX units; from memory), and neutral filters as in the maker's
table of the gelatine filters No. 96 (density, transmission, filter factor, stops; dealers reprint it).
"""

import pytest

from kerbwalk.plan import exposure

APERTURES = {1: 0, 1.4: 1, 2: 2, 2.8: 3, 4: 4, 5.6: 5, 8: 6, 11: 7, 16: 8, 22: 9, 32: 10}
TIMES = {30: -5, 15: -4, 8: -3, 4: -2, 2: -1, 1: 0, 1 / 2: 1, 1 / 4: 2, 1 / 8: 3, 1 / 15: 4, 1 / 30: 5, 1 / 60: 6}
TIMES |= {1 / 125: 7, 1 / 250: 8, 1 / 500: 9, 1 / 1000: 10, 1 / 2000: 11}
SPEEDS = {25: 3, 50: 4, 100: 5, 200: 6, 400: 7, 800: 8, 1600: 9, 3200: 10}
# density: (transmission in per cent as printed, stops in thirds); 79.4 is printed as 80
FILTERS = {
    "0.1": ("80", 1),
    "0.2": ("63", 2),
    "0.3": ("50", 3),
    "0.4": ("40", 4),
    "0.5": ("32", 5),
    "0.6": ("25", 6),
    "0.7": ("20", 7),
    "0.8": ("16", 8),
    "0.9": ("13", 9),
    "1.0": ("10", 10),
    "2.0": ("1.0", 20),
    "3.0": ("0.10", 30),
    "4.0": ("0.010", 40),
}


@pytest.mark.parametrize(
    ("values", "function"), [(APERTURES, exposure.av), (TIMES, exposure.tv), (SPEEDS, exposure.sv)]
)
def test_apex_values(values, function):
    assert [function(mark) for mark in values] == pytest.approx(list(values.values()))


@pytest.mark.parametrize("mark", FILTERS)
def test_neutral_filters(mark):
    printed, thirds = FILTERS[mark]
    one = exposure.read_filter(mark)
    decimals = len(printed.partition(".")[2])
    assert abs(100 / 2**one.stops - float(printed)) <= 0.6 * 10**-decimals
    assert round(one.stops * 3) == thirds
