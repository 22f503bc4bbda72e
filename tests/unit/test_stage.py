"""How a stage ends that would not end by itself."""

import os
import shlex
import subprocess
import sys
import time

from files import stage

SCRIPT = "import ctypes, time; from files import stage; stage.run(lambda: {})"


def ended(work, minutes):
    """The status, standard error and seconds of a stage's process that does some work."""
    begun = time.monotonic()
    variables = os.environ | {"KERBWALK_MINUTES": str(minutes), "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run([sys.executable, "-c", SCRIPT.format(work)], env=variables, capture_output=True, text=True)
    return done.returncode, done.stderr, time.monotonic() - begun


def test_a_stage_that_hangs_is_ended_with_a_sentence():
    status, said, seconds = ended("time.sleep(60)", 0.01)
    assert status == 1 and seconds < 30
    assert said.splitlines()[-1].startswith(stage.MARK) and "was stopped" in said


def test_so_is_one_in_which_no_line_of_python_is_run_any_more():
    status, said, seconds = ended("ctypes.PyDLL(None).sleep(60)", 0.01)
    assert status == 1 and seconds < 30
    assert "Timeout" in said


def test_one_that_ends_in_time_says_its_command_alone():
    status, said, _ = ended("time.sleep(0.1)", 1)
    assert status == 0 and said == f"{shlex.join(['cd', os.getcwd()])} && {shlex.join([sys.executable, '-c'])}\n"
