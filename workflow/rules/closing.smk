"""The end of a night: what is published, and what is said of it."""

import os
import sys
import threading
import time
from pathlib import Path

from house import closing, shoots


def leave_at_once():
    """Let Snakemake end without a second's wait for its timers, once all is done. Jobs on other machines, which start it
    twice, know no hook for that.
    """
    threading.main_thread().join()
    for thread in threading.enumerate():
        if isinstance(thread, threading.Timer):
            thread.cancel()


if not AS_MODULE:
    threading.Thread(target=leave_at_once, daemon=True).start()


def close_night(ok):
    """Publish clips under their true names, bring the index page up to date, and say how it went."""
    closing.publish(GOOD_SHOOTS, RESULTS)
    # By the present clock, which may have been set since; logs of this run are younger than by either.
    started = time.time() - (time.monotonic() - BEGUN)
    # Who asks for some things alone is told of those, and the night's pages stay as they are.
    all_of_it = not (asked_for() or files_asked_for())
    beside = pages_and_master if all_of_it else lambda shoot: []
    retries = workflow.execution_settings.retries
    outcomes = closing.outcomes(SHOOTS, RESULTS, wanted, beside, min(STARTED, started), retries)
    notices = closing.notices(SHOOTS, RESULTS, asked_for()) + closing.frames(GOOD_SHOOTS, RESULTS, asked_for())
    notices += shoots.shared_points(SHOOTS) + shoots.stills(SHOOTS)
    if all_of_it or asked_for() == ["draft"]:
        notices += closing.warnings(SHOOTS, RESULTS, asked_for())
    notices += shoots.astray(shoots_folder(NIGHT), RESULTS, {shoot.name for shoot in [*SHOOTS, *OTHERS]})
    if all_of_it:
        closing.write_summary(RESULTS / "summary.json", outcomes, started, time.time())
        if not ok:
            index_after_failure(outcomes)
        notices += closing.amiss(outcomes, SHOOTS, RESULTS)
        notices += closing.left_over(outcomes, SHOOTS, RESULTS, wanted) + closing.doubted(GOOD_SHOOTS, RESULTS)
        if NIGHT["on_finish"]:
            notices += closing.tell(NIGHT["on_finish"], RESULTS / "summary.json")
    text = closing.text(RESULTS, outcomes, notices, all_of_it)
    if told := os.environ.get("KERBWALK_CLOSING"):
        Path(told).write_text(text, encoding="utf-8")
    else:
        print(text, file=sys.stderr)
