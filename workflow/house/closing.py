"""The last lines of a run: what is done, what failed, and why, in a sentence each."""

import json
import os
from pathlib import Path

from files.stage import MARK


def outcomes(shoots, results_dir, wanted, since):
    """What became of each shoot.

    shoots: list of Shoot; results_dir: folder; wanted: function from a Shoot to the file names it should
    have, relative to results_dir; since: start of the run in seconds since the epoch.
    Returns a list of {"shoot", "done", "clips", "reasons"}; reasons are sentences.
    """
    result = []
    for shoot in shoots:
        reasons = [shoot.problem] if shoot.problem else _errors(Path(results_dir, shoot.id, "work", "logs"), since)
        files = [] if shoot.problem else wanted(shoot)
        missing = [f for f in files if not Path(results_dir, f).exists()]
        if missing and not reasons:
            reasons = [f"{shoot.name}: stopped before it was finished; start the same command again"]
        done = not reasons
        result.append({"shoot": shoot.name, "done": done, "clips": files if done else [], "reasons": reasons})
    return result


# Warnings that are told in the closing lines as well: on photos that were changed, and on what one has to decide.
TOLD = ("changed", "two_shoots")


def notices(shoots, results_dir, everything=False):
    """Sentences from the shoots' audits: what photos were left out of them and why, or all that was found."""
    lines = []
    for shoot in shoots:
        audit = Path(results_dir, shoot.id, "audit.json")
        if shoot.problem or not audit.exists():
            continue
        for finding in json.loads(audit.read_text(encoding="utf-8"))["findings"]:
            if everything or finding["severity"] == "fault" or finding["code"] in TOLD:
                lines.append(f"{shoot.name}: {finding['message']}")
    return lines


def text(results_dir, outcome_list, notice_list):
    """The closing lines."""
    lines = [f"note    {line}" for line in notice_list]
    for outcome in outcome_list:
        if outcome["done"]:
            lines += [f"done    {outcome['shoot']}: {Path(results_dir, clip)}" for clip in outcome["clips"]]
        lines += [f"FAILED  {outcome['shoot']}: {reason}" for reason in outcome["reasons"]]
    index = Path(results_dir, "index.html")
    if index.exists():
        lines.append(f"page    {index}")
    done = sum(o["done"] for o in outcome_list)
    lines.append(f"{done} of {len(outcome_list)} shoots finished")
    return "\n".join(lines) + "\n"


def publish(shoots, results_dir):
    """Give the clips of shoots with an id of their own the shoot's true name as well."""
    for shoot in shoots:
        if shoot.id == shoot.name or shoot.problem:
            continue
        folder = Path(results_dir, shoot.id)
        for file in folder.glob(f"{shoot.id}_*"):
            named = folder / file.name.replace(shoot.id, shoot.name, 1)
            if not (named.exists() and named.samefile(file)):
                named.unlink(missing_ok=True)
                os.link(file, named)


def _errors(logs, since):
    reasons = []
    for log in sorted(logs.glob("*.log")):
        if log.stat().st_mtime < since:
            continue
        for line in log.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith(MARK) and (reason := line.removeprefix(MARK)) not in reasons:
                reasons.append(reason)
    return reasons
