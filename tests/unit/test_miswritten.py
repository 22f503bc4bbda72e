"""Texts that are not YAML: the line that is wrong, and what is said of it."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from house import settings as house

NO_SPACE, NO_COLON = "there is no space behind the colon", "there is no colon"
COLUMN = "nothing can begin in the column in which it does"
OPEN, SIGN = "is not closed, or a comma is missing behind it", "a text begins by "


def said(text, tmp_path):
    """What a settings file of this text gets, from the line's number on."""
    (tmp_path / "shoot.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(house.SettingsError) as caught:
        house.load(tmp_path / "shoot.yaml")
    return str(caught.value).partition(", line ")[2]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("fps:24\nhold: auto", 1, f"'fps:24': {NO_SPACE}; write fps: 24"),
        ("hold: auto\nfps:24", 2, f"'fps:24': {NO_SPACE}"),
        ("look:\n  exposure:1\n  contrast: 2", 2, f"{NO_SPACE}; write exposure: 1"),
        ("look:\n  contrast: 2\n  exposure:1\nfps: 24", 3, NO_SPACE),
        ("hold:auto\n\n# a note\nlook:\n  exposure: 1", 1, NO_SPACE),
        ("hold:\xa0auto\nfps: 24", 1, f"{NO_SPACE}; write hold: auto"),
        ("hold auto\nfps: 24", 1, f"'hold auto': {NO_COLON}; write hold: auto"),
        ("fps: 24\nhold [0.5, 0.5]\nlook: {}", 2, f"{NO_COLON}; write hold: [0.5, 0.5]"),
        ("fps = 24\nhold: auto", 1, f"{NO_COLON}; write fps: 24"),
        ("look\n  exposure: 1", 1, f"{NO_COLON}; write look:"),
        ("fps: 24\nlook\n  exposure: 1", 2, f"{NO_COLON}; write look:"),
        ("fps: 24\na note to myself\nhold: auto", 2, "# before what is only a note"),
        ("look:\n  exposure: 1\n contrast: 2", 3, f"' contrast: 2': {COLUMN}"),
        ("fps: 24\n  hold: auto", 2, COLUMN),
        ("  fps: 24\nhold: auto", 2, COLUMN),
        ("look:\n  exposure: 1\n    contrast: 2", 3, COLUMN),
        ("hold: [0.5, 0.5\nfps: 24", 1, f"'hold: [0.5, 0.5': its '[' {OPEN}; end it by ']'"),
        ("hold: auto\nlook: {exposure: 1 contrast: 2}", 2, f"its '{{' {OPEN}; end it by '}}', with a comma between"),
        ("\ufefflook: {exposure: 1", 1, f"its '{{' {OPEN}"),
        ("look: {", 1, "a bracket is not closed, or a value is missing in it"),
        ("hold: [0.5, 0.5]]", 1, "something stands behind the ] that ends its value; take it out"),
        ("about:\n  title: 'Tom's walk'", 2, "something stands behind the ' that ends its value; put all of it in"),
        ('about: {title: "Old}\nfps: 24', 1, 'its " is not closed; end the text by the same sign'),
        ('about: {title: "C:\\walks"}', 1, "a backslash stands between double quotes"),
        ("about:\n  title: Night: a walk", 2, "there is a colon in a text; put that in quotes, title: 'Night: a walk'"),
        ("hold:\tauto: no", 1, "there is a colon in a text"),
        ("about:\n  title: @home", 2, f"{SIGN}'@'; put it between single quotes"),
        ("about:\n  title: *home*", 2, f"{SIGN}'*'"),
        ("hold: *nowhere", 1, f"{SIGN}'*'"),
        ("hold: !x [1]", 1, f"{SIGN}'!'"),
        ("%a\nfps: 24", 1, f"{SIGN}'%'"),
        ("leave_out:\n  - a.dng\n  -b.dng", 3, "there is no space behind the dash; write - b.dng"),
        ("fps: 24\n---\nfps: 25", 2, "'---' begins a second table of settings; take that line out"),
        ("hold auto\r\nfps: 24\r\n", 1, "'hold auto': there is no colon"),
    ],
)
def test_what_is_said_of_a_line(text, line, words, tmp_path):
    found = said(text, tmp_path)
    assert found.startswith(f"{line}, ") and words in found


@settings(max_examples=500, deadline=None)
@given(st.text("ab:-=[]{}'\"#\n\r\t ,*&!%@|>?<.0\ufeff\u2028", max_size=30))
def test_any_text_is_settings_or_gets_a_sentence(tmp_path_factory, text):
    file = tmp_path_factory.getbasetemp() / "any.yaml"
    file.write_text(text, encoding="utf-8", newline="")
    with contextlib.suppress(house.SettingsError):
        assert isinstance(house.load(file), dict)
