"""The last lines of a run: what is done, what failed, and why, in a sentence each."""

import datetime
import glob
import json
import os
import re
import shlex
import signal
import subprocess
import textwrap
from pathlib import Path

from files.frames import kept_frames
from files.stage import MARK, write_text
from kerbwalk.finding import gravest
from kerbwalk.ingest import listed_shortly

# Bytes of working frames from which on one is told of them.
MUCH = 1e9
# Seconds that the user's command may take.
PATIENCE = 60


# What SLURM writes into the log of a job that it ends, and the resource of which that job had too little.
TOO_LITTLE = {
    re.compile("oom.kill event|exceeded .*memory limit", re.IGNORECASE): ("memory", "mem_mb=MB"),
    re.compile("DUE TO TIME LIMIT"): ("time", "runtime=MINUTES"),
}


def outcomes(shoots, results_dir, wanted, beside, since, retries=0):
    """What became of each shoot.

    shoots: list of Shoot; results_dir: folder; wanted, beside: functions from a Shoot to the names of the files it was
    run for and of those that belong to them, relative to results_dir; since: start of the run in seconds since the
    epoch; retries: how often a job that failed is tried again.
    Returns a list of {"shoot", "done", "clips", "reasons", "warnings"}; reasons and warnings (those of the audit, and
    what is amiss with the clip) are sentences.
    """
    result = []
    for shoot in shoots:
        reasons = [shoot.problem] if shoot.problem else _errors(Path(results_dir, shoot.id, "work", "logs"), since)
        files = [] if shoot.problem else wanted(shoot)
        needed = [*files, *beside(shoot)] if files else []
        missing = [f for f in needed if not Path(results_dir, f).exists()]
        if missing and not reasons:
            ended = _ended_by_slurm(results_dir, shoot.id, since, retries)
            reasons = ended or ["stopped before it was finished; start the same command again"]
        done = not reasons
        # By their true names (publish).
        clips = [file.replace(shoot.id, shoot.name) for file in files] if done else []
        told = {"shoot": shoot.name, "done": done, "clips": clips, "reasons": reasons}
        result.append(told | {"warnings": _warnings(shoot, results_dir) if done else []})
    return result


def _warnings(shoot, results_dir):
    found = [
        f["message"] for *_, findings in _audits([shoot], results_dir, []) for f in findings if f["severity"] != "note"
    ]
    return found + _amiss(shoot, results_dir)


# Warnings that are told in the closing lines as well: on photos that were changed, and on what one has to decide.
TOLD = ("changed", "two_shoots")
# Of so many findings of a kind each is told; of more, as where half a shoot is from another camera, the first ones.
EACH = 3
# Of so many shoots a warning is told, each cut to so many signs.
WARNED, LONG = 10, 160


def notices(shoots, results_dir, asked_for):
    """Sentences from the shoots' audits: what photos were left out of them and why, or, of an audit that was asked for,
    all that was found.
    """
    lines, everything = [], asked_for == ["audit"]
    for shoot, audit, findings in _audits(shoots, results_dir, asked_for):
        kinds = {}
        for finding in findings:
            if everything or _is_told(finding):
                kinds.setdefault(finding["code"], []).append(f"{shoot.name}: {finding['message']}")
        for said in kinds.values():
            if len(said) <= EACH:
                lines += said
            else:
                more = len(said) - EACH + 1
                lines += [*said[: EACH - 1], f"{shoot.name}: {more} more findings of this kind; all are in {audit}"]
    return lines


def warnings(shoots, results_dir, asked_for):
    """Sentences on the gravest warning of each shoot's audit, beside what notices() tells; of many shoots the first."""
    lines = []
    for shoot, _, findings in _audits(shoots, results_dir, asked_for):
        if warned := [f for f in findings if f["severity"] == "warning" and not _is_told(f)]:
            said = textwrap.shorten(gravest(warned)["message"], LONG, placeholder=" ...")
            more = len(warned) - 1
            others = f"; and {more} more warning{'s' if more > 1 else ''}" if more else ""
            lines.append(f"{shoot.name}: {said}{others}")
    if len(lines) > WARNED:
        more = len(lines) - WARNED + 1
        lines[WARNED - 1 :] = [f"there are warnings of {more} more shoots; each one's report has its own"]
    return lines


def _is_told(finding):
    return finding["severity"] == "fault" or finding["code"] in TOLD


def _audits(shoots, results_dir, asked_for):
    """(shoot, file, findings) of each shoot that was audited; a draft's audit is its own, and may be the only one."""
    for shoot in shoots:
        audit = Path(results_dir, shoot.id, *(["draft", "work"] if asked_for == ["draft"] else []), "audit.json")
        if not shoot.problem and audit.exists():
            yield shoot, audit, json.loads(audit.read_text(encoding="utf-8"))["findings"]


def amiss(outcome_list, shoots, results_dir):
    """Sentences on clips that were made, and are hardly what is wanted (scripts/report.py)."""
    lines = []
    for outcome, shoot in zip(outcome_list, shoots, strict=True):
        lines += [f"{shoot.name}: {said}" for said in _amiss(shoot, results_dir) if outcome["done"]]
    return lines


def _amiss(shoot, results_dir):
    card = Path(results_dir, shoot.id, "work", "card.json")
    # The card of an earlier version may say nothing of it.
    return json.loads(card.read_text(encoding="utf-8")).get("amiss", []) if card.exists() else []


def doubted(shoots, results_dir):
    """Sentences on shoots of which the last 'verify' failed: no run reads photos again that it has decoded."""
    return [
        f"{shoot.name}: the last 'verify' said: {reason}"
        for shoot in shoots
        for reason in _errors_in(Path(results_dir, shoot.id, "work", "logs", "verify.log"))
    ]


def left_over(outcome_list, shoots, results_dir, wanted):
    """Sentences on clips of finished shoots that earlier settings asked for. wanted: see outcomes()."""
    lines = []
    for outcome, shoot in zip(outcome_list, shoots, strict=True):
        asked = {Path(file).name for file in wanted(shoot)} if outcome["done"] else set()
        there = sorted(file.name for file in Path(results_dir, shoot.id).glob(f"{glob.escape(shoot.id)}_*"))
        if asked and (left := [name.replace(shoot.id, shoot.name, 1) for name in there if name not in asked]):
            lines.append(
                f"{shoot.name}: {listed_shortly(left)}: made by earlier settings, and not of this clip; delete what "
                "nobody wants, or name it in 'deliverables' again"
            )
    return lines


def frames(shoots, results_dir, asked_for):
    """A sentence on the disk space that working frames take, or took until they were tidied away."""
    folders = [Path(results_dir, shoot.id) for shoot in shoots]
    if asked_for == ["tidy"]:
        freed = [json.loads((f / "work" / "tidied.json").read_text(encoding="utf-8"))["freed"] for f in folders]
        return [f"{sum(freed) / 1e9:.1f} GB of working frames are freed"]
    size = sum(os.path.getsize(file) for folder in folders for file in kept_frames(folder))
    return [f"working frames take {size / 1e9:.1f} GB; 'tidy' frees those of finished shoots"] if size > MUCH else []


def write_summary(path, outcome_list, started, ended):
    """The night for other programs, as JSON. started, ended: seconds since the epoch."""
    summary = {
        "ended": datetime.datetime.fromtimestamp(ended, datetime.UTC).isoformat(timespec="seconds"),
        "seconds": round(ended - started),
        "done": sum(outcome["done"] for outcome in outcome_list),
        "failed": sum(not outcome["done"] for outcome in outcome_list),
        "shoots": outcome_list,
    }
    write_text(path, json.dumps(summary, indent=1, ensure_ascii=False))


def tell(command, summary):
    """Run the user's command with the summary's path behind it, by no shell. Returns what went wrong, as sentences."""
    try:
        words = [*shlex.split(command), str(summary)]
        subprocess.run(words, stdin=subprocess.DEVNULL, timeout=PATIENCE, check=True)
        return []
    except subprocess.CalledProcessError as error:
        ended = f"has failed with status {error.returncode}"
        if error.returncode < 0:
            ended = f"was ended by {signal.Signals(-error.returncode).name}"
        wrong = f"{shlex.join(words)} {ended}"
    except subprocess.TimeoutExpired:
        wrong = f"{shlex.join(words)} had not ended after {PATIENCE} seconds, and was stopped"
    except (OSError, ValueError) as error:
        wrong = str(error)
    return [f"on_finish: {wrong}; correct the command in the settings"]


def text(results_dir, outcome_list, notice_list, page):
    """The closing lines. page: whether the index page is of this run, and so to be named where there is one."""
    lines = [f"note    {line}" for line in notice_list]
    for outcome in outcome_list:
        if outcome["done"]:
            lines += [f"done    {outcome['shoot']}: {Path(results_dir, clip)}" for clip in outcome["clips"]]
        lines += [f"FAILED  {outcome['shoot']}: {reason}" for reason in outcome["reasons"]]
    index = Path(results_dir, "index.html")
    if page and index.exists():
        lines.append(f"page    {index}")
    done = sum(o["done"] for o in outcome_list)
    lines.append(f"{done} of {len(outcome_list)} shoots finished")
    return "\n".join(lines) + "\n"


def refusals(shoots):
    """What is wrong with shoots that cannot be worked on, a line each."""
    return "".join(f"note    {shoot.name}: {shoot.problem}\n" for shoot in shoots)


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
                # A sequence of stills is a folder, which no disk takes under a second name.
                named.symlink_to(file.name) if file.is_dir() else os.link(file, named)


def _errors(logs, since):
    fresh = (log for log in sorted(logs.glob("*.log")) if log.stat().st_mtime >= since)
    return list(dict.fromkeys(reason for log in fresh for reason in _errors_in(log)))


def _errors_in(log):
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines() if log.exists() else []
    return [line.removeprefix(MARK) for line in lines if line.startswith(MARK)]


def _ended_by_slurm(results_dir, shoot, since, retries):
    """Sentences on a shoot's jobs that SLURM has ended at each try for what they took; they could say nothing."""
    tries = {}
    for log in sorted(Path(results_dir, ".snakemake", "slurm_logs").glob("rule_*/*/*.log")):
        if log.stat().st_mtime < since:
            continue
        said = log.read_text(encoding="utf-8", errors="replace")
        cause = next((cause for mark, cause in TOO_LITTLE.items() if mark.search(said)), None)
        if cause and f": {shoot}: " in said:
            tries.setdefault(log.parent, []).append((cause, log))
    reasons = []
    for folder, ended in tries.items():
        # Of a job that was well at last the logs of the tries before it are left.
        if len(ended) > retries:
            (what, resource), log = ended[-1]
            rule = folder.parent.name.removeprefix("rule_")
            reasons.append(
                f"{rule} was ended by SLURM for the {what} that it took ({log} is its log); allow it more, by "
                f"--set-resources {rule}:{resource}"
            )
    return reasons
