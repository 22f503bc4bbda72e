"""Small shoots made once, one finished run of them, and Kerbwalk's command around them.

Everything runs in a copy of the project, so that a test may change its code, and in folders whose names need quoting.
"""

import contextlib
import csv
import fcntl
import json
import os
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest
import yaml
from xdist.scheduler import LoadScopeScheduling

from _snapshot import PARTS
from demo.shoots import ShootSpec, make
from kerbwalk import signal

REPO = Path(__file__).resolve().parents[1]
SPECS = (
    # Without passing lights, whose glow on the walls is real light and would hide what is left of the flicker.
    ShootSpec(name="approach", size=(900, 600), frames=20, seed=5, bumped=(13,), lights=False),
    # Nobody about, and hardly a step between photos: the mean level changes by flicker alone.
    ShootSpec(name="empty", size=(900, 600), frames=16, seed=5, step_m=0.02, walkers=False, lights=False, card=True),
    ShootSpec(
        name="arc",
        size=(880, 660),
        frames=16,
        seed=7,
        place="stairs",
        walk="arc",
        dusk_stops=0.3,
        exposure_changes=((9, 1 / 3),),
    ),
)
# A shoot's own settings, beside the hold point of its truth.
OWN = {
    "empty": {
        "aspect": "1:1",
        "fps": 23.976,
        "first": "KW_0102.dng",
        "last": "KW_0115.dng",
        "leave_out": ["KW_0105.dng"],
    },
}


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Where several processes share the tests (./scripts/test), those of a folder stay together, and those of the pages
    with those of the line, whose finished shoots they look at."""
    return ByFolder(config, log)


class ByFolder(LoadScopeScheduling):
    """The scope that xdist keeps together is a folder."""

    def _split_scope(self, nodeid):
        folder = Path(nodeid.partition("::")[0]).parent.name
        return "pipeline" if folder == "browser" else folder


@pytest.fixture(scope="session")
def no_look():
    """A look without steps, for kerbwalk.signal.encode."""
    return signal.NO_LOOK


class Night:
    """A folder of shoots, a folder of results, and the copy of Kerbwalk that is run on them."""

    def __init__(self, root, shoots, results, environment):
        self.root, self.shoots, self.results, self.environment = map(Path, (root, shoots, results, environment))

    def command(self, *options, settings=None):
        """The command line; settings: a table to be given as a settings file, or None."""
        if settings is not None:
            file = self.results.with_name(self.results.name + ".settings.yaml")
            file.write_text(yaml.safe_dump(settings, sort_keys=False), encoding="utf-8")
            options = ("--configfile", str(file), *options)
        places = [f"shoots={self.shoots}", f"results={self.results}"]
        return [sys.executable, str(self.root / "scripts" / "run"), *options, "--config", *places]

    def variables(self):
        return os.environ | {"KERBWALK_ENV": str(self.environment)}

    def start(self, *options, settings=None):
        """The run as a process group of its own."""
        return subprocess.Popen(
            self.command(*options, settings=settings),
            env=self.variables(),
            cwd=self.shoots.parent,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            start_new_session=True,
        )

    def run(self, *options, settings=None):
        """(exit status, all that was printed); nothing that is printed may be a traceback."""
        process = self.start(*options, settings=settings)
        said = process.communicate(timeout=400)[0]
        assert "Traceback" not in said, said
        return process.returncode, said

    def finish(self, *options, settings=None):
        """Run to a good end."""
        status, said = self.run(*options, settings=settings)
        assert status == 0, said
        return said

    def table(self, settings=None):
        """Snakemake's detailed summary: a dict for each output file."""
        lines = self.finish("--detailed-summary", settings=settings).splitlines()
        start = next(k for k, line in enumerate(lines) if line.startswith("output_file\t"))
        return list(csv.DictReader(lines[start:], delimiter="\t", quoting=csv.QUOTE_NONE))

    def planned(self, settings=None):
        """The rules that would run, {shoot: set of rules}; the rule over all shoots has the key ''."""
        rules = defaultdict(set)
        for row in self.table(settings):
            if row["plan"] != "no update":
                rules[row["output_file"].rpartition("/")[0].partition("/")[0]].add(row["rule"])
        return dict(rules)

    def json(self, shoot, name):
        return json.loads((self.results / shoot / name).read_text(encoding="utf-8"))

    def hashes(self, shoot):
        """The MD5 of each frame of the master."""
        lines = (self.results / shoot / "master.framemd5").read_text().splitlines()
        return [line.rpartition(",")[2].strip() for line in lines if not line.startswith("#")]

    def elsewhere(self, results):
        """The same night with copied results; big files, which are only ever replaced, are linked."""
        shutil.copytree(self.results, results, symlinks=True, copy_function=_link_or_copy)
        return Night(self.root, self.shoots, results, self.environment)


def _link_or_copy(source, target):
    big = Path(source).suffix in (".npy", ".npz", ".mkv", ".mp4")
    os.link(source, target) if big else shutil.copy2(source, target)


@pytest.fixture(scope="session")
def environment():
    env = os.environ.get("KERBWALK_ENV", "")
    if not Path(env, ".complete").exists():
        pytest.skip("needs a whole environment: start the tests by ./scripts/test")
    return env


@pytest.fixture(scope="session")
def root(tmp_path_factory):
    """A copy of the project, with what numba has compiled, as time stamps are kept."""
    root = tmp_path_factory.mktemp("code") / "Kerbwalk's copy"
    root.mkdir()
    for part in PARTS:
        (shutil.copytree if (REPO / part).is_dir() else shutil.copy2)(REPO / part, root / part)
    return root


@pytest.fixture(scope="session")
def truth(tmp_path_factory):
    """The shoots' truths by name (see demo/shoots.py); 'shoots' is the folder that they lie in."""
    folder = tmp_path_factory.mktemp("night") / "it's a night"
    truths = {"shoots": folder / "shoots"}
    made = tmp_path_factory.getbasetemp()
    # Where several processes share the tests, each shoot is made by one of them, which begin at different ends.
    worker = os.environ.get("PYTEST_XDIST_WORKER", "")
    if worker:
        made = made.parent
    for spec in SPECS[:: -1 if worker == "gw1" else 1]:
        with open(made / f"{spec.name}.lock", "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            truths[spec.name] = make(made, spec)
        shutil.copytree(made / "shoots" / spec.name, truths["shoots"] / spec.name)
        settings = {"hold": truths[spec.name]["hold_fraction"], **OWN.get(spec.name, {})}
        (folder / "shoots" / spec.name / "shoot.yaml").write_text(yaml.safe_dump(settings))
    return truths


@pytest.fixture(scope="session")
def finished(root, truth, environment):
    """All the shoots, run to the end. Not to be changed: see Night.elsewhere."""
    night = Night(root, truth["shoots"], truth["shoots"].with_name("results"), environment)
    night.finish("--cores", "2")
    hand_on_compiled(night)
    return night


@pytest.fixture(scope="session")
def little(root, truth, environment, tmp_path_factory):
    """A function: a night of one quick shoot of six photos, 'walk', with new results."""
    folder = tmp_path_factory.mktemp("little")
    shutil.copytree(truth["shoots"] / "approach", folder / "shoots" / "walk", ignore=lambda _, names: sorted(names)[6:])
    # Lamps lie there, and houses at several distances.
    framing = {"centre": [0.57, 0.503]}
    settings = {"hold": truth["approach"]["hold_fraction"], "aspect": "1:4", "framing": framing}
    (folder / "shoots" / "walk" / "shoot.yaml").write_text(yaml.safe_dump(settings))
    return lambda name: Night(root, folder / "shoots", folder / name, environment)


@pytest.fixture(scope="session")
def undisturbed(little):
    """The little night in two parts, run to the end on two cores."""
    night = little("undisturbed")
    night.finish("--cores", "2", settings={"frames_per_job": 3})
    hand_on_compiled(night)
    return night


def hand_on_compiled(night):
    """Put what numba has compiled in the copy of the code that a run kept beside the same sources elsewhere, so that
    the tests that run these need not compile them once more; it holds for a source's time stamp, which copies keep."""
    kept = max((night.environment / "code").iterdir(), key=lambda folder: folder.stat().st_mtime)
    for file in kept.rglob("*.nb[ic]"):
        for target in (place / file.relative_to(kept) for place in (night.root, REPO)):
            if not target.exists():
                target.parent.mkdir(exist_ok=True)
                # Whole at once, as another process may look for it now.
                part = target.with_name(f".{target.name}.{os.getpid()}")
                shutil.copy2(file, part)
                part.replace(target)


@pytest.fixture
def restored():
    """A context in which a file may be changed: its content and time stamp are put back."""

    @contextlib.contextmanager
    def keep(path):
        content, stat = path.read_bytes(), path.stat()
        try:
            yield path
        finally:
            path.write_bytes(content)
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))

    return keep
