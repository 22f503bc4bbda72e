"""The same photos and settings make the same frames, however the work is shared out."""

import os

import pytest

from files import compare
from files.frames import kept_frames

SPARING = {"frames_per_job": 2, "keep_frames": False, "disk_gb": 0.1}
LOOK = {"look": {"exposure": 1.0}}
# As on a processor without the newest instructions; docs/archive.md says what that comes to.
OLDER = {
    "NPY_DISABLE_CPU_FEATURES": "X86_V3 X86_V4",
    "OPENCV_CPU_DISABLE": "AVX,FP16,AVX2,AVX512-SKX",
    "OPENBLAS_CORETYPE": "Nehalem",
}


@pytest.fixture(scope="module")
def sparing(little):
    """The same shoot in parts of another size, on one core, without keeping its frames."""
    night = little("sparing")
    status, said = night.run(settings=SPARING | {"disk_gb": 0.001})
    assert status == 1 and "FAILED  walk: the working frames of this shoot take up to 0.0" in said, said
    night.finish("--cores", "1", settings=SPARING)
    return night


def test_one_core_two_cores_and_other_parts(undisturbed, sparing):
    assert len(set(undisturbed.hashes("walk"))) == 6
    assert sparing.hashes("walk") == undisturbed.hashes("walk")
    for name in ("audit.json", "work/warps.json", "work/gains.csv", "work/framing.json", "work/look.clf"):
        ones, others = ((night.results / "walk" / name).read_bytes() for night in (undisturbed, sparing))
        assert ones == others, name
    ones, others = ((night.results / "walk" / "walk_hd.mp4").read_bytes() for night in (undisturbed, sparing))
    assert ones == others, "the encoder's threads are as many as ever"


def test_frames_that_are_not_kept(sparing):
    assert not kept_frames(sparing.results / "walk")
    assert sparing.planned(SPARING) == {}
    # Decoded again, as there are no frames to compose from.
    assert {"decode", "look", "compose", "master", "deliver", "report"} <= sparing.planned(SPARING | LOOK)["walk"]


def test_an_older_processor_makes_the_same_but_for_a_code_here_and_there(undisturbed, tmp_path):
    night = undisturbed.elsewhere(tmp_path / "results")
    folder = night.results / "walk"
    made_from_proxies = ("track.json", "sights.npz", "warps.json", "gains.csv", "light.json", "framing.json")
    for file in [folder / "master.mkv", *(folder / "work" / name for name in made_from_proxies), *kept_frames(folder)]:
        if file.parent.name != "decoded":
            file.unlink()
    night.variables = lambda: os.environ | {"KERBWALK_ENV": str(night.environment)} | OLDER
    night.finish("--cores", "2", "walk/master.mkv", settings={"frames_per_job": 3})
    assert min(compare.psnr(folder / "master.mkv", undisturbed.results / "walk" / "master.mkv")) > 70
