"""Builds and finds the Python environments that `run` and `test` work in (standard library only).

An environment is whole when its file `.complete` holds the SHA-256 of every requirement file it was built
from and the interpreter it stands on is still the same. A whole one is used as it is: nothing is installed,
no network is asked. The test environment is built from the files of the default one and its own, so `run`
takes it for whole too when KERBWALK_ENV points to it.
"""

import sys

# Checked before anything else. So that an older Python gets this far, the syntax of this file stays that of
# Python 3.6.
if sys.version_info < (3, 11):  # noqa: UP036
    sys.exit(
        f"kerbwalk: Python 3.11 or newer is needed, and {sys.executable} is Python {sys.version.split()[0]}: "
        f"install a newer one and start this script with it, for example: python3.13 {sys.argv[0]}"
    )

import contextlib
import fcntl
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
BUILD_TOOLS = "build.txt"
REQUIREMENTS = {"default": ("default.txt",), "test": ("default.txt", "test.txt")}
# Environments on top of another: what an executor needs besides (its name: its requirements), or a judge of manifests.
LAYERS = {"slurm": "slurm.txt", "mhl": "mhl.txt"}
PLACE_VARIABLE = {"default": "KERBWALK_ENV", "test": "KERBWALK_TEST_ENV"}
MARK = ".kerbwalk-env"  # says that a folder is ours to build anew
STAMP = ".complete"


def stop(sentence, status=2):
    """End the program with one sentence on stderr."""
    print(f"kerbwalk: {sentence}", file=sys.stderr)
    raise SystemExit(status)


@contextlib.contextmanager
def locked(path, waiting):
    """Hold an exclusive lock on the file `path`; say `waiting` if another process holds it. The kernel frees
    the lock when its holder ends in whatever way."""
    with open(path, "ab") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            print(waiting, file=sys.stderr)
            fcntl.flock(file, fcntl.LOCK_EX)
        yield


def held(find):
    """What `find` returns, an environment of ensure() or layered(), which then nobody builds anew until this program,
    and what it becomes, has ended: so a night goes on when Kerbwalk is brought up to date."""
    while True:
        env = find()
        stamp = _stamp_of(env)
        try:
            handle = os.open(_use_of(env), os.O_RDONLY | os.O_CREAT, 0o666)
            fcntl.flock(handle, fcntl.LOCK_SH)
        except OSError:
            # On a disk that cannot be written to, or knows no locks.
            return env
        if _stamp_of(env) == stamp:
            os.set_inheritable(handle, True)
            return env
        # It was built anew just then.
        os.close(handle)


def _use_of(env):
    return env.with_name(env.name + ".use")


def ensure(name):
    """Return the folder of the environment `name` (a key of REQUIREMENTS), built first if it is not whole."""
    variable = PLACE_VARIABLE[name]
    env = Path(os.path.abspath(os.environ.get(variable) or REPO / ".env" / name))
    wanted = _hashes(REQUIREMENTS[name])
    if _is_whole(env, wanted):
        return env
    _check_interpreter()
    _build_once(env, wanted, variable, lambda: _fill(env, wanted))
    return env


def layered(base, name):
    """Return the environment inside the whole one `base` that has what LAYERS[name] asks for as well, built first if
    it is not whole. It takes what `base` has from there, so that it is small and quickly made."""
    env = base / f"with-{name}"
    wanted = {**_stamp_of(base)["requirements"], **_hashes([LAYERS[name]])}
    if not _is_whole(env, wanted):
        _build_once(env, wanted, PLACE_VARIABLE["default"], lambda: _fill_on_top(env, base, LAYERS[name]))
    return env


def _build_once(env, wanted, variable, fill):
    try:
        env.parent.mkdir(parents=True, exist_ok=True)
        with locked(env.with_name(env.name + ".lock"), f"waiting for another process to build {env} ..."):
            if not _is_whole(env, wanted):
                _build(env, wanted, variable, fill)
    except OSError as error:
        stop(
            f"the environment cannot be built in {env} ({error.strerror or error}): "
            f"make room there, or set {variable} to another place."
        )


def base_of(env):
    """The environment that a layered one stands on; another is its own."""
    return env.parent if (env.parent / MARK).exists() else env


def python_of(env):
    return str(env / "bin" / "python")


def environ(env):
    """The variables for programs that run inside the environment `env`."""
    variables = _own_variables()
    variables["PATH"] = os.pathsep.join([str(env / "bin"), variables.get("PATH", os.defpath)])
    variables["VIRTUAL_ENV"] = variables["KERBWALK_ENV"] = str(env)
    variables["KERBWALK_PYTHON"] = python_of(env)
    return variables


def hand_on(worker):
    """Become the program scripts/<worker>, run by the default environment with this program's arguments."""
    env = held(lambda: ensure("default"))
    python = python_of(env)
    sys.stderr.flush()
    os.execve(python, [python, str(REPO / "scripts" / worker), *sys.argv[1:]], environ(env))


def _own_variables():
    """All variables but those that would bring packages of another Python in."""
    return {k: v for k, v in os.environ.items() if k not in ("PYTHONHOME", "PYTHONPATH")}


def _hashes(files):
    return {file: hashlib.sha256((REPO / "envs" / file).read_bytes()).hexdigest() for file in files}


def _stamp_of(env):
    """What the stamp says of what the environment was built from; None where there is none."""
    try:
        return json.loads((env / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def _is_whole(env, wanted):
    stamp = _stamp_of(env)
    if stamp is None:
        return False
    interpreter = os.path.realpath(python_of(env))
    return (
        all(stamp["requirements"].get(file) == digest for file, digest in wanted.items())
        and stamp["interpreter"] == interpreter
        and os.access(interpreter, os.X_OK)
    )


def _check_interpreter():
    missing = [module for module in ("venv", "ensurepip") if importlib.util.find_spec(module) is None]
    if missing:
        stop(
            f"this Python ({sys.executable}) comes without its module{'s' if missing[1:] else ''} "
            f"{' and '.join(missing)}, which the environment is built with: install what brings them "
            "(on Debian and Ubuntu: apt-get install python3-venv), or start this script with another Python."
        )


def _build(env, wanted, variable, fill):
    """Build in place, as environments cannot be moved; the stamp comes last, so a half-built one is seen."""
    if env.exists():
        if not (env / MARK).exists() and any(env.iterdir()):
            stop(f"{env} holds other things: empty it, or set {variable} to a new or an empty folder.")
        with locked(_use_of(env), f"waiting until no run works in {env}, which has to be built anew ..."):
            shutil.rmtree(env)
    print(f"building the environment (once) in {env} ...", file=sys.stderr, flush=True)
    env.mkdir()
    (env / MARK).touch()
    fill()
    stamp = {
        "requirements": wanted,
        "interpreter": os.path.realpath(python_of(env)),
        "python": sys.version.split()[0],
    }
    new = env / (STAMP + ".new")
    new.write_text(json.dumps(stamp, indent=1) + "\n", encoding="utf-8")
    os.replace(new, env / STAMP)


def _fill(env, wanted):
    _call([sys.executable, "-m", "venv", str(env)], "could not be made")
    _install(env, [BUILD_TOOLS], ["--only-binary", ":all:"])
    # Wheels only, as a package built here runs its own build code; the two that come without a wheel are
    # pure Python and built by the tools just installed, not by what an isolated build would fetch unchecked.
    _install(env, wanted, ["--only-binary", ":all:", "--no-binary", "bagit,connection-pool", "--no-build-isolation"])


def _fill_on_top(env, base, file):
    _call([python_of(base), "-m", "venv", str(env)], "could not be made")
    packages = "import sysconfig; print(sysconfig.get_path('purelib'))"
    below, own = (
        subprocess.run([python_of(e), "-c", packages], check=True, capture_output=True, text=True).stdout.strip()
        for e in (base, env)
    )
    # As seen from there, for an environment may be known by a second path that does not last, such as a link.
    Path(own, "below.pth").write_text(os.path.relpath(below, own) + "\n", encoding="utf-8")
    _install(env, [file], ["--only-binary", ":all:"])


def _install(env, files, options):
    requirements = [option for file in files for option in ("-r", str(REPO / "envs" / file))]
    _call(
        [python_of(env), "-m", "pip", "install", "--quiet", "--no-input", "--disable-pip-version-check"]
        + ["--require-hashes", *options, *requirements],
        "could not be filled from the package index (is there a network?)",
    )


def _call(command, failure):
    # UTF-8 whatever the locale: a package's build may read its own files in it
    result = subprocess.run(
        command,
        env=dict(_own_variables(), PYTHONUTF8="1"),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    if result.returncode:
        lines = [line for line in result.stdout.splitlines() if line.strip()]
        print(*lines[-6:], sep="\n", file=sys.stderr)
        stop(f"the environment {failure}; the lines above say why. The next run tries again.")
