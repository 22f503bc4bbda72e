"""Reads what Snakemake says: which lines to show (all but Python's tracebacks, the commands of jobs that failed, with
which their logs begin, and what it says of itself and its machine, which its own log has), and which sentence says why
it stopped."""

import re

from _arguments import TARGETS
from _progress import TABLE

_BANNER = "SNAKEMAKE"
# What says nothing to who runs it: of itself and of the machine, and that something failed, which our last lines say.
_OF_ITSELF = re.compile(
    r"Using (?:workflow specific )?profiles? .* for setting default command line arguments\.$"
    r"|Config file .* is extended by additional config specified via the command line\.$"
    r"|Assuming unrestricted shared filesystem usage\.$|Building DAG of jobs\.\.\.$|Using shell: .*/\w+$"
    r"|Provided (?:cores|remote nodes|resources): .*|Rules claiming more threads will be scaled down\.$"
    r"|Conda environments: ignored$|Singularity containers: ignored$|Group jobs: inactive \(local execution\)$"
    r"|Complete log\(s\): .*|Elapsed time: [\d:. a-z,]+$|Shutting down, this might take some time\.$"
    r"|Exiting because a job execution failed\. Look (?:above|below) for error messages$"
    r"|At least one job did not complete successfully\.$"
    # Advice to look at time stamps alone, or to wipe what is known of a file: a changed setting would be passed over.
    r"|Some jobs were triggered by provenance information, .*|If you prefer that only modification time is used .*"
    r"|If you are sure that a change for a certain output file .*"
)
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_SENTENCE = re.compile(r"kerbwalk: *(\S.*)")
_OUR_PLACE = re.compile(r"WorkflowError(?: in file .*)?:$|RuleException:$|MissingRuleException(?: in .*)?:$")
_NOT_TO_BE_MADE = re.compile(r"No rule to produce (.*) \(if you use input functions .*\)\.$")
_A_STEP = re.compile(r"Target rules may not contain wildcards\.")
_JOB_FAILED = re.compile(r'CalledProcessError in file ".*\.smk", line \d+:$')
_COMMAND_ENDS = re.compile(r"' (?:returned non-zero exit status|died with) .*\.$")
_PLACE = re.compile(r"\w*(?:Error|Exception)( in .*)?:$")
_TRACE_START = re.compile(r"( *)Traceback(?: \(most recent call last\))?:$")
_TRACE_LINK = re.compile(r" *(During handling of the above exception|The above exception was the direct cause)")
_TRACE_PLACE = re.compile(r' *File ".*", line \d+(, in .*)?$')


class Relay:
    """Fed with lines; tells what of them to show, and keeps what the closing sentence needs."""

    def __init__(self) -> None:
        self.held: list[str] = []  # tracebacks
        self.sentences: list[str] = []  # what Kerbwalk's own code says, marked by "kerbwalk:"
        self.begun = False  # whether there are jobs to be done: nothing stopped it before
        self.error = ""  # the last line that names an error, otherwise the last line of all
        self._in_banner = False
        self._place = ""  # the line before, where it may only say at which of our lines a sentence was said
        self._in_command = False  # of a job that failed
        self._indent: int | None = None  # of the traceback that is being read
        self._named = False  # whether `error` names an error
        self._expected = False  # whether the next line says what an error was

    def feed(self, line: str) -> str:
        """Take a line in, and return what is to be shown. A sentence for which all stops is left for the end."""
        text = _COLOUR.sub("", line).rstrip()
        if self._in_banner or text == _BANNER:
            self._in_banner = bool(text)
            return ""
        if _OF_ITSELF.match(text):
            self._place, self._expected = "", False
            return ""
        self.begun |= text == TABLE
        sentence = _sentence(text)
        if sentence and sentence not in self.sentences:
            self.sentences.append(sentence)
        if self._in_command:
            self._read(text.strip())
            self._in_command = not _COMMAND_ENDS.search(text)
            return ""
        if _JOB_FAILED.match(text):
            self._place, self._in_command, self._expected = "", True, True
            return ""
        if match := _TRACE_START.match(text):
            self._indent = len(match[1])
        elif self._indent is not None and text and len(text) - len(text.lstrip()) <= self._indent:
            self._indent = None  # this line names the exception
            self._note(text.strip())
        elif self._indent is None and not _TRACE_LINK.match(text) and not _TRACE_PLACE.match(text):
            self._read(text.strip())
            before, self._place = self._place, line if _OUR_PLACE.match(text) else ""
            if not (before and sentence):
                return before if self._place else before + line
            text = before.rstrip() + " " + text
        self.held.append(text)
        return ""

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


def _sentence(text: str) -> str:
    """What Kerbwalk's own code says in a line, or what we say in its place; empty for others."""
    names = f"by name there are {', '.join(sorted(TARGETS))}, and files by their path in the results"
    if match := _NOT_TO_BE_MADE.match(text):
        return f"there is nothing called {match[1]!r} to be made; {names}."
    if _A_STEP.match(text):
        return f"a step of each shoot cannot be asked for by its name; {names}."
    match = _SENTENCE.search(text)
    return match[1] if match else ""
