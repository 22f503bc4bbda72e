"""A shoot through a lens that distorts, darkens the corners and draws colours apart, against the truth of the demo."""

import csv

import numpy as np
import pytest
import yaml

from demo.shoots import ShootSpec, make
from kerbwalk import lens, mesh

GLASS = ((0.0, -0.09, 0.04), (0.0009,), (-0.0007, 0.0, -0.0004), (-0.35, -0.1))
SETTINGS = {
    "distortion": list(GLASS[0]),
    "lateral": {"red": list(GLASS[1]), "blue": list(GLASS[2])},
    "vignetting": list(GLASS[3]),
}


@pytest.fixture(scope="module")
def bent(root, environment, tmp_path_factory, finished):
    folder = tmp_path_factory.mktemp("bent")
    spec = ShootSpec(name="bent", size=(720, 480), frames=10, seed=5, walkers=False, lights=False, lens=GLASS)
    truth = make(folder, spec)
    own = {"hold": truth["hold_fraction"], "lens": SETTINGS}
    (folder / "shoots" / "bent" / "shoot.yaml").write_text(yaml.safe_dump(own))
    night = type(finished)(root, folder / "shoots", folder / "results", environment)
    # which make no finished shoot
    night.run("--cores", "2", "--until", "light", "framing")
    return night, truth


def test_the_walk_is_as_steady_as_through_a_perfect_lens(bent):
    """By true points of the scene: what the frames show of them moves evenly."""
    night, truth = bent
    warps = night.json("bent", "work/warps.json")
    glass = warps["lens"]
    tracks = []
    for record, frame in zip(warps["photos"], truth["frames"], strict=True):
        assert record["placed"]
        assert np.hypot(*(np.array(record["hold"]) - frame["hold"])) < 0.05
        seen = (np.array([p["xyz"] for p in truth["points"]]) @ np.array(frame["R"]).T + frame["t"]) @ np.array(
            truth["K"]
        ).T
        grid = None if record["grid"] is None else np.array(record["grid"])
        tracks.append(mesh.to_plane(np.array(record["matrix"]), grid, seen[:, :2] / seen[:, 2:], warps["size"]))
    uneven = np.linalg.norm(np.diff(tracks, 2, axis=0), axis=-1)
    # without the lens's numbers, 0.23
    assert np.median(np.sqrt(np.mean(uneven**2, axis=0))) < 0.18
    # the crop reaches as far as all photos do, and no further
    left, top, width, height = night.json("bent", "work/framing.json")["crop"]
    corners = np.array([[left, top], [left + width, top], [left, top + height], [left + width, top + height]])
    slack = []
    for record in warps["photos"]:
        there = corners @ np.array(record["matrix"])[:, :2].T + np.array(record["matrix"])[:, 2]
        photo = lens.to_photo(glass, there[:, :2] / there[:, 2:])
        slack.append(np.minimum(photo + 0.5, np.array(warps["size"]) - 0.5 - photo).min())
    assert 0 < min(slack) < 25


def test_the_light_is_measured_without_the_vignetting(bent):
    night, truth = bent
    with open(night.results / "bent" / "work" / "gains.csv", newline="", encoding="utf-8") as file:
        applied = np.array([float(row["applied_gain"]) for row in csv.DictReader(file)])
    left = applied + np.log2([frame["gain"] for frame in truth["frames"]])
    # a straight line over the clip is kept as change of the light
    assert np.std(left - np.polyval(np.polyfit(range(10), left, 1), range(10))) < 0.005
