"""A copy of the scripts in a folder with an awkward name, around a small Snakefile of its own."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]

SNAKEFILE = """\
import os
from pathlib import Path

configfile: f"{workflow.basedir}/config/config.yaml"

if config.get("mistake") == "ours":
    raise WorkflowError("kerbwalk: config.yaml: 'holt' is no setting: 'hold' is.")
if config.get("mistake") == "another":
    raise ValueError("an odd thing")

CLOSING = Path(os.environ["KERBWALK_CLOSING"])

onsuccess:
    CLOSING.write_text(config.get("words", "done") + " " + config["shoots"])
onerror:
    CLOSING.write_text("FAILED one of them")

rule all:
    input: "python.txt", "slow.txt"
rule python:
    output: "python.txt"
    shell: "echo $KERBWALK_PYTHON $(python -c 'import sys; print(sys.prefix)') > {output}"
rule slow:
    output: "slow.txt"
    params: s=lambda wildcards: config.get("seconds", 0)
    message: "walk: being slow"
    # By no command of its own: bash goes on to the next where an interrupt comes as one ends by itself.
    shell: ": > started; sleep {params.s}; touch {output}"
"""

DEMO = """\
import sys
from pathlib import Path
shoot = Path(sys.argv[1], "shoots", "square")
shoot.mkdir(parents=True)  # a second time would fail
"""


class Place:
    """A copy of Kerbwalk's scripts in `root`, to be called from the folder `cwd`."""

    def __init__(self, root: Path, cwd: Path, env: str) -> None:
        self.root, self.cwd, self.env = root, cwd, env

    def command(self, *arguments) -> list[str]:
        return [sys.executable, str(self.root / "scripts" / "run"), *map(str, arguments)]

    def variables(self) -> dict[str, str]:
        # a network that is used all the same fails: no index, and a proxy that isn't there
        offline = {
            "PIP_NO_INDEX": "1",
            "http_proxy": "http://127.0.0.1:9",
            "https_proxy": "http://127.0.0.1:9",
        }
        return {**os.environ, **offline, "KERBWALK_ENV": self.env}

    def run(self, *arguments) -> subprocess.CompletedProcess:
        return subprocess.run(
            self.command(*arguments),
            cwd=self.cwd,
            env=self.variables(),
            capture_output=True,
            text=True,
            timeout=60,
        )

    def start(self, *arguments) -> subprocess.Popen:
        """Without a terminal, so that a signal sent to it reaches no other process."""
        return subprocess.Popen(
            self.command(*arguments),
            cwd=self.cwd,
            env=self.variables(),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )


@pytest.fixture
def place(tmp_path, environment) -> Place:
    root = tmp_path / "a walker's {night} $(no) ☾"
    shutil.copytree(REPO / "scripts", root / "scripts", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(REPO / "envs", root / "envs")
    for folder in ("config", "workflow/profiles/default"):
        (root / folder).mkdir(parents=True)
    for part in ("plugins", "house", "files"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(REPO / "workflow" / part, root / "workflow" / part, ignore=ignored)
    (root / "config" / "config.yaml").write_text("shoots:\nresults: results\n")
    (root / "workflow" / "profiles" / "default" / "config.yaml").write_text("cores: 2\n")
    (root / "Snakefile").write_text(SNAKEFILE)
    (root / "scripts" / "demo").write_text(DEMO)
    cwd = tmp_path / "elsewhere"
    (cwd / "walks" / "first").mkdir(parents=True)
    # by a path with a space as well: the environment is found through a link
    env = tmp_path / "an environment"
    env.symlink_to(environment)
    return Place(root, cwd, str(env))
