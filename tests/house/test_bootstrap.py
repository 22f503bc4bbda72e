"""Building environments: when, where, what if it fails. Nothing is really installed here."""

import ast
import json
import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest

import _bootstrap

REPO = Path(_bootstrap.REPO)


@pytest.fixture
def calls(tmp_path, monkeypatch):
    """Commands that a build would start; the interpreter it makes is a link to this one."""
    made = []

    def call(command, failure):
        made.append(command)
        if "venv" in command:
            python = Path(command[-1], "bin", "python")
            python.parent.mkdir()
            python.symlink_to(sys.executable)

    monkeypatch.setattr(_bootstrap, "_call", call)
    monkeypatch.setenv("KERBWALK_ENV", str(tmp_path / "an env"))
    monkeypatch.setenv("KERBWALK_TEST_ENV", str(tmp_path / "an env"))
    return made


def test_built_once(calls):
    env = _bootstrap.ensure("default")
    assert len(calls) == 3  # venv, build tools, packages
    assert all("--require-hashes" in command for command in calls[1:])
    assert _bootstrap.ensure("default") == env
    assert len(calls) == 3


def test_the_test_environment_serves_for_the_default_one_but_not_the_other_way(calls):
    _bootstrap.ensure("default")
    _bootstrap.ensure("test")
    assert len(calls) == 6
    _bootstrap.ensure("default")
    assert len(calls) == 6


@pytest.mark.parametrize("damage", ["half built", "other requirements", "interpreter gone"])
def test_one_that_is_not_whole_is_built_anew(calls, damage):
    env = _bootstrap.ensure("default")
    if damage == "half built":
        (env / ".complete").unlink()
    elif damage == "other requirements":
        stamp = json.loads((env / ".complete").read_text())
        stamp["requirements"]["default.txt"] = "0" * 64
        (env / ".complete").write_text(json.dumps(stamp))
    else:
        (env / "bin" / "python").unlink()
        (env / "bin" / "python").symlink_to(env / "gone")
    (env / "left over").touch()
    _bootstrap.ensure("default")
    assert len(calls) == 6
    assert not (env / "left over").exists()


def test_two_at_once_build_it_once(calls):
    threads = [threading.Thread(target=_bootstrap.ensure, args=("default",)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(calls) == 3


def test_one_that_a_run_works_in_is_not_taken_away(calls, tmp_path):
    """As where Kerbwalk is brought up to date, with other requirements, while a night is under way."""
    hold = "import _bootstrap, sys; _bootstrap.held(lambda: _bootstrap.Path(sys.argv[1])); "
    become = "import os; os.execv('/bin/sh', ['sh', '-c', 'echo held; read line'])"
    env = _bootstrap.ensure("default")
    (env / "left over").touch()
    (env / ".complete").write_text(json.dumps({"requirements": {}, "interpreter": "another"}))
    command = [sys.executable, "-c", hold + become, env]
    streams = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, env=os.environ | {"PYTHONPATH": str(REPO / "scripts")}, **streams) as night:
        assert night.stdout.readline() == "held\n"
        update = threading.Thread(target=_bootstrap.ensure, args=("default",))
        update.start()
        update.join(1)
        assert update.is_alive() and (env / "left over").exists()
        night.stdin.close()
        update.join(60)
    assert not update.is_alive() and not (env / "left over").exists()
    assert _bootstrap.held(lambda: _bootstrap.ensure("default")) == env


def test_a_folder_with_other_things_is_left_alone(calls, tmp_path, capsys):
    (tmp_path / "an env").mkdir()
    (tmp_path / "an env" / "letter.txt").touch()
    with pytest.raises(SystemExit):
        _bootstrap.ensure("default")
    assert "holds other things" in capsys.readouterr().err
    assert (tmp_path / "an env" / "letter.txt").exists()


def test_a_place_that_cannot_be_made(calls, tmp_path, monkeypatch, capsys):
    (tmp_path / "file").touch()
    monkeypatch.setenv("KERBWALK_ENV", str(tmp_path / "file" / "env"))
    with pytest.raises(SystemExit):
        _bootstrap.ensure("default")
    assert "set KERBWALK_ENV to another place" in capsys.readouterr().err


def test_a_command_that_fails_shows_its_last_lines_and_one_sentence(capsys):
    with pytest.raises(SystemExit) as ended:
        _bootstrap._call([sys.executable, "-c", "print('why'); exit(1)"], "could not be made")
    assert ended.value.code == 2
    assert capsys.readouterr().err.splitlines() == [
        "why",
        "kerbwalk: the environment could not be made; the lines above say why. The next run tries again.",
    ]


def test_a_python_without_ensurepip(calls, monkeypatch, capsys):
    monkeypatch.setattr(_bootstrap.importlib.util, "find_spec", lambda name: None if name == "ensurepip" else name)
    with pytest.raises(SystemExit):
        _bootstrap.ensure("default")
    assert "comes without its module ensurepip" in capsys.readouterr().err


def test_an_older_python_gets_a_sentence(monkeypatch):
    source = (REPO / "scripts" / "_bootstrap.py").read_text()
    ast.parse(source, feature_version=(3, 6))
    for program in ("run", "test"):
        ast.parse((REPO / "scripts" / program).read_text(), feature_version=(3, 6))
    monkeypatch.setattr(sys, "version_info", (3, 10, 1))
    with pytest.raises(SystemExit, match=r"Python 3\.11 or newer is needed"):
        exec(compile(source, "_bootstrap.py", "exec"), {"__name__": "old"})


def test_a_layer_finds_what_is_below_it_by_no_path_that_may_go(tmp_path, monkeypatch):
    base, link = tmp_path / "env", tmp_path / "link"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", base], check=True)
    (below,) = base.glob("lib/python*/site-packages")
    (below / "lies_below.py").touch()
    link.symlink_to(base)
    monkeypatch.setattr(_bootstrap, "_install", lambda env, files, options: None)
    _bootstrap._fill_on_top(link / "with-more", link, "more.txt")
    link.unlink()
    subprocess.run([base / "with-more" / "bin" / "python", "-c", "import lies_below"], check=True)


def test_variables_of_another_python_stay_outside(monkeypatch, tmp_path):
    monkeypatch.setenv("PYTHONPATH", "/elsewhere")
    monkeypatch.setenv("PATH", "/usr/bin")
    variables = _bootstrap.environ(tmp_path)
    assert "PYTHONPATH" not in variables
    assert variables["PATH"] == f"{tmp_path}/bin{os.pathsep}/usr/bin"
    assert variables["KERBWALK_PYTHON"] == f"{tmp_path}/bin/python"


def pins(name):
    """{package: version} of a requirement file whose every entry is one version with hashes."""
    text = (REPO / "envs" / name).read_text()
    entries = [e for e in text.replace("\\\n", "").splitlines() if e.strip() and not e.lstrip().startswith("#")]
    form = re.compile(r"([a-z0-9._-]+)==(\S+)(?: ; [^#]*?)?(?: +--hash=sha256:[0-9a-f]{64})+\s*")
    matches = [form.fullmatch(entry) for entry in entries]
    assert entries and all(matches), [e[:60] for e, m in zip(entries, matches, strict=True) if not m]
    return {match[1]: match[2] for match in matches}


def test_every_requirement_is_one_version_with_hashes_and_the_files_agree():
    default, test = pins("default.txt"), pins("test.txt")
    assert pins("build.txt").keys() >= {"pip", "setuptools", "setuptools-scm"}
    assert {name: test[name] for name in default.keys() & test.keys()} == {
        name: default[name] for name in default.keys() & test.keys()
    }


def test_the_demo_finds_its_environment():
    """Without the packages of this one."""
    command = [sys.executable, "-S", REPO / "scripts" / "demo", "--help"]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.stdout.startswith("usage: ./scripts/demo"), done.stderr
