"""How a stage ends that would not end by itself, and how it writes its tables."""

import os
import shlex
import subprocess
import sys
import time

import numpy as np
import pytest

from files import stage
from files.warps import read_homographies, read_warps

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


def test_a_disk_that_is_full_is_that_of_the_results_or_of_temporary_files():
    full = 'exec("import tempfile; tempfile.tempdir = {!r}; raise OSError(28, str())")'
    assert "the disk that holds the results is full;" in ended(full.format("."), 1)[1]
    assert "results, or that of /proc (the variable TMPDIR), is full;" in ended(full.format("/proc"), 1)[1]


def test_what_is_written_may_be_read_and_changed_by_whom_the_umask_lets(tmp_path):
    work = "from files import stage; stage.write_text('a', 'b')\nwith stage.whole_folder('c'): pass"
    for umask, file, folder in ((0o027, 0o640, 0o750), (0o002, 0o664, 0o775)):
        variables = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
        subprocess.run([sys.executable, "-c", work], cwd=tmp_path, env=variables, umask=umask, check=True)
        modes = [(tmp_path / name).stat().st_mode & 0o777 for name in "ac"]
        assert modes == [file, folder]


def test_arrays_stand_for_lists_in_a_table_and_what_is_no_number_leaves_none(tmp_path):
    numbers = [[0.1, 2.0], [1e-9, -3.5]]
    shown = [{"name": "a", "grid": grid, "size": [3, 2]} for grid in (numbers, np.array(numbers))]
    for name, record in zip(("lists", "arrays"), shown, strict=True):
        stage.write_json(tmp_path / name, {"photos": [record, record], "of": "é"})
    assert (tmp_path / "arrays").read_bytes() == (tmp_path / "lists").read_bytes()
    found = stage.read_json(tmp_path / "lists")
    assert found == {"photos": [shown[0]] * 2, "of": "é"}
    grid = read_warps(tmp_path / "lists")["photos"][1]["grid"]
    assert (grid == shown[1]["grid"]).all()
    without = {"photos": [shown[0] | {"grid": None}] * 2, "of": "é"}
    assert [read_homographies(tmp_path / name) for name in ("lists", "arrays")] == [without] * 2
    with pytest.raises(ValueError, match="not JSON compliant"):
        stage.write_json(tmp_path / "none", {"photos": [{"frames": np.array([np.nan])}]})
    assert sorted(file.name for file in tmp_path.iterdir()) == ["arrays", "lists"]
