"""Another workflow uses this one as a Snakemake module, with a prefix of its own; and Snakemake's own report."""

import subprocess
import sys

import yaml

OTHER = """
configfile: "config.yaml"


module kerbwalk:
    snakefile:
        "{snakefile}"
    config:
        config["kerbwalk"]
    prefix:
        "some/clips"


use rule * from kerbwalk as kerbwalk_*


rule all:
    default_target: True
    input:
        rules.kerbwalk_all.input,
        "shown.mp4",


rule show:
    input:
        "some/clips/walk/walk_hd.mp4",
    output:
        "shown.mp4",
    shell:
        "cp {{input:q}} {{output:q}}"
"""


def snakemake(folder, *options):
    """What Snakemake says, run in a folder without ./scripts/run."""
    command = [sys.executable, "-m", "snakemake", *map(str, options)]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def test_another_workflow_uses_it_as_a_module(root, little, tmp_path):
    night = little("module")
    (tmp_path / "Snakefile").write_text(OTHER.format(snakefile=root / "Snakefile"))
    (tmp_path / "config.yaml").write_text(yaml.safe_dump({"kerbwalk": {"shoots": str(night.shoots), "fps": 25}}))
    snakemake(tmp_path, "--cores", 2)
    clips = tmp_path / "some" / "clips"
    assert (tmp_path / "shown.mp4").read_bytes() == (clips / "walk" / "walk_hd.mp4").read_bytes()
    assert "walk" in (clips / "index.html").read_text()
    page = (clips / "walk" / "report.html").read_text()
    assert "at 25 frames a second" in page and "the module&#39;s config" in page
    assert {path.name for path in tmp_path.iterdir()} == {".snakemake", "Snakefile", "config.yaml", "shown.mp4", "some"}
    assert "Nothing to be done" in snakemake(tmp_path, "--cores", 1, "--dry-run")


def test_snakemakes_own_report(undisturbed, tmp_path):
    page = tmp_path / "night.html"
    undisturbed.finish("--report", str(page), settings={"frames_per_job": 3})
    text = page.read_text(encoding="utf-8")
    for said in ("the clip", "the photos as taken", "the gains", "Pictures", "Numbers", "finished clip of walk"):
        assert said in text, said
