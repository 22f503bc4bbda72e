"""What the audit says of photos by their metadata."""

import pytest

from kerbwalk import audit


def photo(name, **other):
    record = {
        "name": name, "bytes": 100, "problem": None, "width": 3000, "height": 2000, "camera": "Maker Model",
        "time": f"2031-03-14T21:04:{len(name):02d}", "subsecond": 0.0, "shutter": 3.0, "matrix": [[1]],
    }  # fmt: skip
    return record | other


@pytest.fixture
def photos():
    return [photo("a" * k) for k in range(1, 7)]


def test_nothing_to_say(photos):
    assert audit.audit(photos) == ([], ["a" * k for k in range(1, 7)])


@pytest.mark.parametrize(
    ("change", "code", "severity"),
    [
        ({"problem": "is empty (0 bytes)"}, "unreadable", "fault"),
        ({"width": 1500}, "other_size", "fault"),
        ({"camera": "Another"}, "other_camera", "fault"),
        ({"time": "2031-03-14T21:04:01"}, "same_time", "warning"),
        ({"time": None}, "no_time", "warning"),
        ({"shutter": None}, "no_exposure", "warning"),
        ({"matrix": None}, "no_matrix", "warning"),
    ],
)
def test_one_odd_photo(photos, change, code, severity):
    photos[3] |= change
    findings, kept = audit.audit(photos)
    assert [(f["code"], f["severity"]) for f in findings] == [(code, severity)]
    assert set(findings[0]) == {"code", "severity", "photos", "value", "limit", "message"}
    assert "aaaa" in findings[0]["photos"]
    assert "aaaa" in findings[0]["message"]
    assert ("aaaa" in kept) == (severity != "fault")
    assert len(kept) == 6 - (severity == "fault")


def test_an_unreadable_photo_has_no_other_fault(photos):
    """A photo that could not be opened says nothing of itself, and must not be judged by that."""
    photos[5] = {"name": "cut.dng", "bytes": 9, "problem": "cannot be read", "time": None, "subsecond": 0.0,
                 "shutter": None, "camera": None}  # fmt: skip
    findings, _ = audit.audit(photos)
    assert [f["code"] for f in findings] == ["unreadable"]


def test_first_last_and_leave_out(photos):
    findings, kept = audit.audit(photos, first="aa", last="aaaaa", leave_out=["aaa"])
    assert kept == ["aa", "aaaa", "aaaaa"]
    assert [(f["code"], f["severity"], f["photos"]) for f in findings] == [("left_out", "note", ["a", "aaa", "aaaaaa"])]


def test_reference_is_the_wanted_one_even_if_left_out(photos):
    kept = ["aa", "aaa", "aaaa"]
    assert audit.reference(photos, kept) == "aaa"
    assert audit.reference(photos, kept, "aaaaaa") == "aaaaaa"
    photos[5]["problem"] = "is empty"
    assert audit.reference(photos, kept, "aaaaaa") == "aaa"
