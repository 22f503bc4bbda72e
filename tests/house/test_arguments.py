"""Where shoots and results are, from the command line and the settings files."""

import re
from pathlib import Path

import pytest

from _arguments import SettingsError, places, snakemake_options, take_apart


@pytest.fixture
def repo(tmp_path):
    folder = tmp_path / "repo"
    (folder / "config").mkdir(parents=True)
    settings(folder, "")
    return folder


def settings(repo, shoots):
    (repo / "config" / "config.yaml").write_text(f"shoots: {shoots}\nresults: results\n")


def found(repo, cwd, *argv):
    return places(take_apart(list(argv), cwd), cwd, repo)


def test_a_misspelt_word_makes_no_demo(repo, tmp_path):
    with pytest.raises(SettingsError, match="--config: 'shoot' is not a setting; the nearest is 'shoots'"):
        found(repo, tmp_path, "--config", "shoot=walks")


def test_a_word_like_no_setting_is_told_where_they_are_listed(repo, tmp_path):
    with pytest.raises(SettingsError, match="--config: 'zoom' is not a setting; docs/settings.md lists all"):
        found(repo, tmp_path, "--config", "zoom=2")


def test_nothing_named_means_the_demo(repo, tmp_path):
    demo = repo / "demo-night"
    assert found(repo, tmp_path) == (demo / "shoots", demo / "results", True)
    assert found(repo, tmp_path, "--config", "results=x") == (demo / "shoots", tmp_path / "x", True)
    assert found(repo, tmp_path, "--config", "shoots=") == (demo / "shoots", demo / "results", True)


def test_relative_paths_start_where_they_are_written(repo, tmp_path):
    settings(repo, "walks")
    assert found(repo, tmp_path) == (repo / "walks", repo / "results", False)
    other = tmp_path / "other"
    other.mkdir()
    (other / "my.yaml").write_text("shoots: ../night\nresults: ~/clips\n")
    assert found(repo, tmp_path, "--configfile", "other/my.yaml") == (
        tmp_path / "night",
        Path.home() / "clips",
        False,
    )
    line = ("--configfile", "other/my.yaml", "--config", "shoots=here")
    assert found(repo, tmp_path, *line)[:2] == (tmp_path / "here", Path.home() / "clips")


def test_the_last_settings_file_wins(repo, tmp_path):
    for name in "ab":
        (tmp_path / f"{name}.yaml").write_text(f"shoots: {name}\n")
    assert found(repo, tmp_path, "--configfile", "a.yaml", "b.yaml")[0] == tmp_path / "b"
    assert found(repo, tmp_path, "--configfile=b.yaml", "-n", "--configfiles", "a.yaml")[0] == tmp_path / "a"


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("a: [", "line 1, 'a: \\[': a bracket is not closed"),
        ("a:\n\tb: 1", "line 2, .*: a tab begins it; indent it by spaces"),
        ("- a", "key: value"),
        ("shoots: 3", "path of a folder"),
        ("\x00", "UTF-8"),
        ("fps: 24\nfps: 25", "line 2: 'fps' stands there a second time"),
    ],
)
def test_a_settings_file_that_is_none(repo, tmp_path, text, word):
    (tmp_path / "my.yaml").write_text(text)
    with pytest.raises(SettingsError, match=word) as caught:
        found(repo, tmp_path, "--configfile", "my.yaml")
    assert str(tmp_path / "my.yaml") in str(caught.value)


def test_a_settings_file_that_is_missing(repo, tmp_path):
    with pytest.raises(SettingsError, match="none.yaml cannot be read"):
        found(repo, tmp_path, "--configfile", "none.yaml")


def test_results_never_go_among_photos(repo, tmp_path):
    (tmp_path / "walks" / "square").mkdir(parents=True)
    assert found(repo, tmp_path, "--config", "shoots=walks", "results=walks/square")
    (tmp_path / "walks" / "square" / "IMG_1.CR3").touch()
    with pytest.raises(SettingsError, match="which holds photos"):
        found(repo, tmp_path, "--config", "shoots=walks", "results=walks/square")


def test_config_must_be_pairs(tmp_path):
    with pytest.raises(SettingsError, match="KEY=VALUE"):
        take_apart(["--config", "shoots"], tmp_path)


@pytest.mark.parametrize("line", ["-n", "-np", "--dry-run", "--lint", "--cores 2 --summary", "--lint=json"])
def test_what_only_informs_takes_no_lock(line, tmp_path):
    assert take_apart(line.split(), tmp_path).informing


@pytest.mark.parametrize("line", ["", "--cores 2", "-p", "--unlock", "--config name=-n", "-- -n"])
def test_what_works_takes_the_lock(line, tmp_path):
    assert not take_apart(line.split(), tmp_path).informing


def test_everything_else_is_passed_on_last_and_in_order(repo, tmp_path):
    argv = [
        "-n",
        "--cores",
        "1",
        "--config",
        "a=1",
        "shoots=s",
        "--forcerun",
        "look",
        "-C",
        "b={x: 1}",
        "--",
        "all",
    ]
    options = snakemake_options(take_apart(argv, tmp_path), tmp_path / 's "1"', tmp_path / "r", tmp_path, repo)
    start = options.index("--config")
    quoted = f'shoots= "{tmp_path}/s \\"1\\"" '
    assert options[start + 1 : start + 6] == [
        "a=1",
        "b={x: 1}",
        quoted,
        f'results= "{tmp_path}/r" ',
        "--nolock",
    ]
    assert options[-7:] == ["-n", "--cores", "1", "--forcerun", "look", "--", "all"]


def test_a_profile_is_found_from_here_or_from_the_repository(repo, tmp_path):
    def profile(*argv):
        options = snakemake_options(take_apart(list(argv), tmp_path), tmp_path, tmp_path, tmp_path, repo)
        return options[options.index("--workflow-profile") + 1]

    theirs = repo / "workflow" / "profiles"
    for name in ("default", "farm"):
        (theirs / name).mkdir(parents=True)
    (tmp_path / "mine").mkdir()
    assert profile() == str(theirs / "default")
    assert profile("--workflow-profile", "workflow/profiles/farm") == str(theirs / "farm")
    assert profile("--workflow-profile=farm") == str(theirs / "farm")
    assert profile("--workflow-profile", "mine") == str(tmp_path / "mine")
    assert profile("--workflow-profile", "none") == "none"


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (["walks"], "walks is a folder: to run the shoots in it, say --config shoots=walks results=DIR"),
        (["--cores", "2", "./walks"], "./walks is a folder"),
        (["--shoots", "walks"], "say --config shoots=DIR"),
        (["shoots=walks", "results=x"], "say --config shoots=DIR"),
        (["draft", "--", "config", "shoots=walks"], "say --config shoots=DIR"),
        (["drafts"], "did you mean 'draft'?"),
        (["my walks"], "say --config shoots='my walks' results=DIR"),
        (["--config", "shoots=my", "walks"], "if it belongs to 'my', put both in quotes: shoots='my walks'."),
        (["--config", "shoots=walks", "audits"], "did you mean 'audit'?"),
        (["--config", "look.exposure=0.7"], "stands in another setting; write it as 'look={exposure: 0.7}'."),
        (["--config", "walks"], "--config takes KEY=VALUE, and 'walks' is not of that form."),
    ],
)
def test_what_a_newcomer_writes_first_leads_on(argv, said, tmp_path):
    for folder in ("walks", "my walks"):
        (tmp_path / folder).mkdir()
    with pytest.raises(SettingsError, match=re.escape(said)):
        take_apart(argv, tmp_path)


def test_a_target_is_one_whatever_folders_there_are(tmp_path):
    (tmp_path / "draft").mkdir()
    argv = ["draft", "audit", "-n", "--directory", "draft", "--set-threads", "compose=1"]
    assert take_apart(argv, tmp_path).others == argv


def test_a_target_may_stand_behind_options_of_many_values(tmp_path):
    found = take_apart(["--configfile", "my.yaml", "audit", "--config", "fps=25", "draft"], tmp_path)
    assert found.others == ["audit", "draft"]
    assert found.config_files == [tmp_path / "my.yaml"]
    assert found.config == [("fps", "25")]
