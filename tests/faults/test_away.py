"""Photos, a file that settings name, or results that go away in the middle of a run and come back: a sentence, and in
the end the same frames."""

import shutil
import subprocess
import time

import pytest

from tests.conftest import Night

SETTINGS = {"frames_per_job": 3}
# As far as the frames go, for what follows reads neither photos nor anything that they do not decide.
WANTED = ("goes/master.mkv", "stays/work/lens.json", "stays/work/hot.json")
LOST = "lost/work/hot.json"
# A run in a space of its own, in which a folder turns read-only as soon as a file is there.
TURNS = """
mount --make-rprivate /
folder=$1 file=$2
shift 2
(
  while [ ! -e "$file" ]; do sleep 0.01; done
  mount --bind "$folder" "$folder" && mount -o remount,bind,ro "$folder"
) &
exec "$@"
"""


@pytest.fixture(scope="module")
def away(root, little, environment, tmp_path_factory):
    """A night of which one shoot's photos go away after they were taken in, and another's dark frame before, for one
    run."""
    folder = tmp_path_factory.mktemp("away")
    for name in ("goes", "stays"):
        shutil.copytree(little("").shoots / "walk", folder / "shoots" / name)
    photo, dark = folder / "shoots" / "lost" / "KW_0101.dng", folder / "shoots" / "lost" / "dark.dng"
    photo.parent.mkdir()
    shutil.copy2(folder / "shoots" / "goes" / photo.name, photo)
    shutil.copy2(photo, dark)
    (photo.parent / "shoot.yaml").write_text("dark: dark.dng\n")
    night = Night(root, folder / "shoots", folder / "results", environment)
    process = night.start("--cores", "2", *WANTED, LOST, settings=SETTINGS)

    def goes_after(file, place):
        while not (night.results / file).exists():
            assert process.poll() is None, process.communicate()[0]
            time.sleep(0.002)
        place.rename(folder / "unmounted" / place.name)

    (folder / "unmounted").mkdir()
    goes_after(".kerbwalk/night/lost.shoot", dark)
    goes_after("goes/work/ingest.json", night.shoots / "goes")
    night.said = process.communicate(timeout=200)[0]
    night.status = process.returncode
    (folder / "unmounted" / "goes").rename(night.shoots / "goes")
    return night


def test_photos_that_go_away(away, failures):
    assert away.status == 1 and "Traceback" not in away.said
    print(away.said)
    (sentence,) = failures(away.said).get("goes", [away.said])
    assert str(away.shoots / "goes") in sentence, away.said
    assert (away.results / "stays" / "work" / "hot.json").exists(), away.said


def test_a_dark_frame_that_goes_away(away, failures):
    (sentence,) = failures(away.said).get("lost", [away.said])
    assert str(away.shoots / "lost" / "dark.dng") in sentence and "cannot be found" in sentence


def test_a_dark_frame_that_is_not_there_when_a_run_begins(away, failures):
    status, said = away.run("--cores", "2", LOST, "stays/work/hot.json", settings=SETTINGS)
    assert status == 2, "what is asked for by name cannot be made, so nothing is started"
    (sentence,) = failures(said).get("lost", [said])
    assert "dark names 'dark.dng', which is not in the shoot's folder" in sentence
    (away.shoots.parent / "unmounted" / "dark.dng").rename(away.shoots / "lost" / "dark.dng")


def test_results_that_turn_read_only(away, failures):
    trigger = away.results / "goes" / "work" / "hot.json"
    command = ["unshare", "--mount", "sh", "-c", TURNS, "sh", str(away.results / "goes"), str(trigger)]
    if subprocess.run([*command[:4], "mount --make-rprivate /"], capture_output=True).returncode:
        pytest.skip("mounting is not permitted here")
    done = subprocess.run(
        [*command, *away.command("--cores", "2", *WANTED, settings=SETTINGS)],
        env=away.variables(),
        capture_output=True,
        text=True,
        timeout=200,
    )
    said = done.stdout + done.stderr
    print(said)
    assert done.returncode == 1 and "Traceback" not in said
    (sentence,) = failures(said).get("goes", [said])
    # By a stage, or by Snakemake, as it happens.
    assert "has turned read-only" in sentence and "see what befell its disk" in sentence, said


def test_frames_are_those_of_an_undisturbed_run(away, undisturbed):
    away.finish("--cores", "2", *WANTED, settings=SETTINGS)
    assert away.hashes("goes") == undisturbed.hashes("walk")
