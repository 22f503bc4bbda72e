"""How far a run is, told from Snakemake's own lines: a last line that is kept up to date in a terminal, a
line for each finished step elsewhere."""

import re
import time
from collections import Counter
from collections.abc import Callable

from _arguments import TARGETS

TABLE = "Job stats:"
_ROW = re.compile(r"(\w+) +(\d+)$")
_STARTED = re.compile(r"Job (\d+): (.*)$")
_FINISHED = re.compile(r"Finished jobid: (\d+) \(Rule: (\w+)\)$")
# What Snakemake says at every job, beside these two.
_AT_EVERY_JOB = re.compile(
    r"Select jobs to execute\.\.\.$|Execute \d+ jobs\.\.\.$|\[\w{3} \w{3} .*\d{4}\]$"
    r"|\d+ of \d+ steps \([\d.]+%\) done$|Removing temporary output .*|$"
)
# A job without a message, or one that failed, of which its log and our last lines tell; more stands indented below.
_JOB = re.compile(r"(?:local)?(?:checkpoint)?rule \w+:$|(Error in rule \w+:)$")
_JOB_ID = re.compile(r"    jobid: (\d+)$")
# Seconds that a job takes beside those of other rules (benchmarks/README.md); only their ratios count.
_SECONDS = {
    "compose": 9,
    "compose_picture": 9,
    "decode": 5,
    "deliver": 13,
    "ingest": 6,
    "follow": 5,
    "track": 2,
    "draft_shoot": 8,
    "report": 4,
    "audit_shoot": 3,
    "hot": 2,
    "steady": 2,
    "light": 2,
}
_OTHERWISE = 0.5
# So much of the work has to be done, and so many seconds, before anything is said of the rest.
_LEAST, _SOON = 0.03, 10
_CLEAR = "\r\x1b[K"


class Progress:
    """Fed with lines; tells what of them to show. live: for a terminal; named: what jobs say that they do, as shown."""

    def __init__(
        self, live: bool, clock: Callable[[], float] = time.monotonic, named: Callable[[str], str] = str
    ) -> None:
        self.live, self._clock, self._named = live, clock, named
        self._jobs: Counter[str] = Counter()
        self._done: Counter[str] = Counter()
        self._started = clock()
        self._what: dict[str, str] = {}  # what jobs do, by their number
        self._in_table = self._in_job = self._of_failed = False

    def feed(self, line: str) -> str:
        """Take a line in, and return what to write for it."""
        text = line.rstrip()
        job = _JOB.match(text)
        self._in_job = bool(job or (self._in_job and text.startswith("    ")))
        self._of_failed = bool(job[1] if job else self._of_failed and self._in_job)
        if self._in_table:
            if row := _ROW.match(text):
                self._jobs[row[1]] = int(row[2])
            self._in_table = bool(text)
            return _CLEAR + self.state() if self.live else ""
        if text == TABLE:
            self._in_table, self._started, self._done = True, self._clock(), Counter()
            self._jobs.clear()
            return ""
        if started := _STARTED.match(text):
            self._what[started[1]] = self._named(started[2])
            return ""
        if finished := _FINISHED.match(text):
            self._done[finished[2]] += 1
            if self.live:
                return _CLEAR + self.state()
            # A job that only stands for all others has no message.
            otherwise = "all that was asked for is there" if finished[2] in TARGETS else finished[2]
            what = self._what.pop(finished[1], otherwise)
            return f"{what} ({self._steps()})\n"
        if self._of_failed and (failed := _JOB_ID.match(text)) and failed[1] in self._what:
            line = f"{self._what[failed[1]]} failed: the last lines say why\n"
        elif self._in_job or _AT_EVERY_JOB.match(text):
            return ""
        return _CLEAR + line + self.state() if self.live else line

    def end(self) -> str:
        """What to write behind the last line."""
        return _CLEAR if self.live else ""

    def state(self) -> str:
        """The line for a terminal, without an end; nothing before there are jobs."""
        if not self._jobs["total"]:
            return ""
        shoots = f"{self._done['report']} of {self._jobs['report']} shoots, " if self._jobs["report"] else ""
        return shoots + self._steps()

    def _steps(self) -> str:
        return f"{self._done.total()} of {self._jobs['total']} steps done{self._left()}"

    def _left(self) -> str:
        """The time that is left, at the rate of what is done."""
        whole, done = (
            sum(_SECONDS.get(rule, _OTHERWISE) * count for rule, count in jobs.items() if rule != "total")
            for jobs in (self._jobs, self._done)
        )
        passed = self._clock() - self._started
        if not whole or done < _LEAST * whole or passed < _SOON or done >= whole:
            return ""
        minutes = passed * (whole - done) / done / 60
        hours, rest = divmod(round(minutes), 60)
        if minutes < 1:
            return ", less than a minute left"
        return f", about {f'{hours} h {rest} min' if hours else f'{rest} min'} left"
