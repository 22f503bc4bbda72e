"""Reads what Snakemake says on stderr: which lines to show (all but Python's tracebacks), and which sentence
says why it stopped."""

import re

_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_SENTENCE = re.compile(r"kerbwalk: *(\S.*)")
_PLACE = re.compile(r"\w*(?:Error|Exception)( in .*)?:$")
_TRACE_START = re.compile(r"( *)Traceback \(most recent call last\):$")
_TRACE_LINK = re.compile(r" *(During handling of the above exception|The above exception was the direct cause)")
_TRACE_PLACE = re.compile(r' *File ".*", line \d+(, in .*)?$')


class Relay:
    """Fed with lines; tells of each whether to show it, and keeps what the closing sentence needs."""

    def __init__(self) -> None:
        self.held: list[str] = []  # tracebacks
        self.sentences: list[str] = []  # what Kerbwalk's own code says, marked by "kerbwalk:"
        self.error = ""  # the last line that names an error, otherwise the last line of all
        self._indent: int | None = None  # of the traceback that is being read
        self._named = False  # whether `error` names an error
        self._expected = False  # whether the next line says what an error was

    def feed(self, line: str) -> bool:
        """Take a line in; true if it is to be shown."""
        text = _COLOUR.sub("", line).rstrip()
        if (match := _SENTENCE.search(text)) and match[1] not in self.sentences:
            self.sentences.append(match[1])
        if match := _TRACE_START.match(text):
            self._indent = len(match[1])
        elif self._indent is not None and text and len(text) - len(text.lstrip()) <= self._indent:
            self._indent = None  # this line names the exception
            self._note(text.strip())
        elif self._indent is None and not _TRACE_LINK.match(text) and not _TRACE_PLACE.match(text):
            self._read(text.strip())
            return True
        self.held.append(text)
        return False

    def _read(self, text: str) -> None:
        if self._expected and text:
            self._note(text)
            self._expected = False
        elif _PLACE.match(text):
            self._expected = True
        elif text and not self._named:
            self.error = text

    def _note(self, text: str) -> None:
        self.error = text
        self._named = True
