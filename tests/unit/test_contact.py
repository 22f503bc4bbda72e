"""The sheet of looks: what a click on a picture copies."""

import pytest
import yaml

import contact

NONE = {"cdl": None, "lut": None, "match": None, "exposure": 0.7}


@pytest.mark.parametrize(
    ("look", "own", "taken"),
    [
        ("silver.cc", {}, {"cdl": "silver.cc"}),
        ("night.cube", {}, {"lut": "night.cube"}),
        ("silver.cc", {"cdl": {"slope": [1, 1, 1]}}, {"cdl": "silver.cc"}),
        ("silver.cc", {"lut": "own.cube", "match": "graded.tif"}, {"cdl": "silver.cc", "lut": None, "match": None}),
        ("plain", {}, {"cdl": None}),
        ("plain", {"cdl": "ember.cc", "lut": "own.cube"}, {"cdl": "ember.cc", "lut": "own.cube"}),
        ("plain", {"cdl": "ember.cc", "match": "graded.tif"}, {"cdl": "ember.cc", "match": None}),
    ],
)
def test_a_line_makes_what_its_picture_shows(look, own, taken):
    assert yaml.safe_load(contact.line(look, NONE | own)) == {"look": taken}
