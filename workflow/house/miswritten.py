"""What is wrong with a text that is not YAML: which line, and what to do, in words of who writes settings by hand.

libyaml says where it could not go on, and what it had hoped for there. What was miswritten may stand a line before: a
word without a colon, or with no space behind it, is to YAML a text that goes on in the next line.
"""

import re

# libyaml's words for what it was at, or could not do.
BRACKETS = {"while parsing a flow sequence": "[]", "while parsing a flow mapping": "{}"}
NO_VALUE = "while parsing a flow node"
QUOTE, ESCAPE = "while scanning a quoted scalar", "found unknown escape character"
SIMPLE_KEY = "while scanning a simple key"
SEVERAL = "but found another document"
# A sign that means more to YAML than itself.
SIGN = re.compile("found character that|did not find expected alpha|found undefined alias|.*constructor|.*directive")
# It was reading a text, and met what can only follow a key; or found no key where one should be.
TEXT = ("mapping values are not allowed in this context", "could not find expected ':'", "<document start>")
KEY = "did not find expected key"

# A space as pages have it, which keeps words together, is none to YAML.
NO_SPACE = re.compile(r"([A-Za-z_]+):(?![ \t:])\s*(.+)")
TWO_COLONS = re.compile(r"([A-Za-z_]+):\s+([^\s'\"{\[].*: .*)")
NO_COLON = re.compile(r"([A-Za-z_]+)(\s*=\s*|\s+)?([^\s:\[{]+|[\[{].*)?")
WORDS = re.compile(r"[^\[\]{}'\"-][^:]*")


def told(error, lines):
    """(index of the line, what is wrong with it, what to do) for a yaml.MarkedYAMLError. lines: of the text."""
    problem, context, mark = str(error.problem), error.context, error.problem_mark
    at, begun = min(mark.line, len(lines) - 1), error.context_mark or mark
    sign = lines[begun.line][begun.column : begun.column + 1] if begun.line < len(lines) else ""
    # The character that stands there is not to be seen, and libyaml does not name it.
    if sign == "\t":
        return at, "a tab begins it", "indent it by spaces"
    if context in BRACKETS:
        opens, closes = BRACKETS[context]
        wrong = f"its '{opens}' is not closed, or a comma is missing behind it"
        return begun.line, wrong, f"end it by '{closes}', with a comma between two values"
    if context == NO_VALUE:
        return at, "a bracket is not closed, or a value is missing in it", "close it, with one comma between two values"
    if context == QUOTE:
        return begun.line, f"its {sign} is not closed", "end the text by the same sign"
    if problem == ESCAPE:
        return at, "a backslash stands between double quotes", "put the text between single quotes, '...'"
    if problem == SEVERAL:
        return at, "'---' begins a second table of settings", "take that line out"
    if SIGN.match(problem):
        return at, f"a text begins by '{sign}'", "put it between single quotes, '...'"
    if problem.endswith(TEXT) or problem == KEY:
        # Where a key was begun is known; otherwise it was in the line before, or in this one.
        before = next((k for k in reversed(range(at)) if _stripped(lines[k])), at)
        for k in (begun.line,) if context == SIMPLE_KEY else (before, at):
            if found := line(lines[k]):
                return k, *found
        before, here = (len(lines[k]) - len(lines[k].lstrip(" ")) for k in (before, at))
        if problem == KEY and mark.column > here:
            return at, *_behind(lines[at][: mark.column].rstrip()[-1:])
        if before != here:
            wrong = "nothing can begin in the column in which it does"
            return at, wrong, "begin all settings of one table in the same column, those under another two spaces on"
    return at, f"this is not YAML ({problem})", "write one 'key: value' a line, as in config/config.yaml"


def line(text):
    """(what is wrong, what to do) of a line that is no setting, nor an entry of a list; None where nothing is known."""
    text = _stripped(text)
    if found := NO_SPACE.fullmatch(text):
        return "there is no space behind the colon", "write {}: {}".format(*found.groups())
    if found := TWO_COLONS.fullmatch(text):
        return "there is a colon in a text", "put that in quotes, {}: '{}'".format(*found.groups())
    if re.match(r"-[^\s-]", text):
        return "there is no space behind the dash", f"write - {text[1:]}"
    if found := NO_COLON.fullmatch(text):
        return "there is no colon", f"write {found[1]}: {found[3] or ''}".rstrip()
    if WORDS.fullmatch(text):
        return "there is no colon", "write 'key: value', and # before what is only a note"
    return None


def _behind(end):
    """What is said of what stands behind the sign that ends a value."""
    wrong = f"something stands behind the {end} that ends its value"
    return wrong, "put all of it in quotes of the other kind" if end in "'\"" else "take it out"


def _stripped(text):
    """A line without its comment and the space around it."""
    return re.sub(r"(^|\s)#.*", "", text).strip()
