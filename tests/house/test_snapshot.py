"""A run's copy of the code: what is edited later does not reach it."""

import os

import pytest

import _snapshot


@pytest.fixture
def repo(tmp_path):
    code = tmp_path / "repo"
    for name in ("Snakefile", "scripts/light.py", "workflow/kerbwalk/light.py", "workflow/kerbwalk/steady.py"):
        (code / name).parent.mkdir(parents=True, exist_ok=True)
        (code / name).write_text(f"# {name}\n")
    (code / "workflow/kerbwalk/__pycache__").mkdir()
    (code / "demo-night").mkdir()
    return code


def test_an_edit_makes_another_copy_and_leaves_the_first(repo, tmp_path):
    first = _snapshot.keep(repo, tmp_path / "store")
    (repo / "scripts" / "light.py").write_text("# edited\n")
    second = _snapshot.keep(repo, tmp_path / "store")
    assert first != second
    assert (first / "scripts/light.py").read_text() == "# scripts/light.py\n"
    assert (second / "scripts/light.py").read_text() == "# edited\n"
    assert not (first / "demo-night").exists()


def test_a_touch_makes_none(repo, tmp_path):
    first = _snapshot.keep(repo, tmp_path / "store")
    os.utime(repo / "Snakefile", (1, 1))
    assert _snapshot.keep(repo, tmp_path / "store") == first
    assert [e.name for e in (tmp_path / "store").iterdir()] == [first.name]


def test_what_was_compiled_of_unchanged_files_is_taken_along(repo, tmp_path):
    """Python and Numba hold it valid for a source of the same time stamp."""
    first = _snapshot.keep(repo, tmp_path / "store")
    (first / "workflow/kerbwalk/__pycache__").mkdir(exist_ok=True)
    (first / "workflow/kerbwalk/__pycache__/light.nbi").write_text("compiled")
    os.utime(repo / "workflow/kerbwalk/light.py", (1, 1))
    (repo / "workflow/kerbwalk/steady.py").write_text("# edited\n")
    second = _snapshot.keep(repo, tmp_path / "store")
    assert (second / "workflow/kerbwalk/__pycache__/light.nbi").read_text() == "compiled"
    stamps = [(copy / "workflow/kerbwalk/light.py").stat().st_mtime_ns for copy in (first, second)]
    assert stamps[0] == stamps[1]


def test_copies_that_nobody_uses_go(repo, tmp_path):
    first = _snapshot.keep(repo, tmp_path / "store")
    os.utime(first, (1, 1))
    (repo / "Snakefile").write_text("# edited\n")
    second = _snapshot.keep(repo, tmp_path / "store")
    assert second.exists() and not first.exists()
