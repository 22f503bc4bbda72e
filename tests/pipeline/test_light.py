"""The light stage on a finished shoot, against the demo's truth: what of the slow change shows, and known steps."""

import csv
import json
import subprocess
import sys

import numpy as np
import pytest
import yaml

from demo.shoots import ShootSpec, make
from kerbwalk import trend
from kerbwalk.pixels import reduced

SHOOT = "arc"  # dusk by 0.3 stops, and a third of a stop by the shutter
DEFAULTS = {"show": "photographed", "keep_slower_than": 16, "filters": {}, "even": []}


def run(night, shoot, out, proxies=None, ingest=None, **settings):
    """scripts/light.py on the shoot's files: (rows of gains.csv, light.json), or what it said where it failed.
    proxies, ingest: other files than the shoot's."""
    out.mkdir()
    work = night.results / shoot / "work"
    command = [sys.executable, night.root / "scripts" / "light.py", "--ingest", ingest or work / "ingest.json"]
    command += ["--proxies", *(proxies or sorted(work.glob("proxies/*.npz")))]
    command += ["--sights", work / "sights.npz", "--warps", work / "warps.json"]
    command += ["--settings", json.dumps({"light": DEFAULTS | settings})]
    command += ["--out", out / "gains.csv", "--found", out / "light.json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        return done.stderr
    with open(out / "gains.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file)), json.loads((out / "light.json").read_text())


def column(rows, name):
    return np.array([float(row[name]) for row in rows])


def stops(truth, name):
    return np.array([frame[name] for frame in truth["frames"]])


@pytest.mark.parametrize("show", ["photographed", "fell", "level"])
def test_what_shows_of_the_slow_change(finished, truth, tmp_path, show):
    """Sixteen photos with 6 per cent of flicker tell a trend to some 5 per cent at best; steps are exact."""
    rows, _ = run(finished, SHOOT, tmp_path / "out", show=show)
    dusk, exposure = stops(truth[SHOOT], "light_stops"), stops(truth[SHOOT], "exposure_stops")
    clip = np.log2(stops(truth[SHOOT], "gain")) + dusk + exposure + column(rows, "applied_gain")
    even = np.polyval(np.polyfit(range(16), clip, 3), range(16))
    assert np.abs(clip - even).max() < 0.01, "no step is left"
    ends = {"photographed": (dusk + exposure)[-1] - dusk[0], "fell": dusk[-1] - dusk[0], "level": 0}[show]
    assert clip[-1] - clip[0] == pytest.approx(ends, abs=0.15 if show != "level" else 0.02)
    reference = rows[8]
    assert float(reference["known_step"]) == 0
    assert float(rows[9]["known_step"]) == pytest.approx(1 / 3, abs=1e-3)
    np.testing.assert_allclose(
        column(rows, "applied_gain"),
        column(rows, "kept_trend") - column(rows, "known_step") - column(rows, "estimated_gain"),
        atol=3e-6,
    )


def test_a_dark_filter_is_a_known_step(finished, tmp_path):
    """It is taken out: the light that is estimated is the brighter for it."""
    plain, _ = run(finished, SHOOT, tmp_path / "plain")
    rows, _ = run(finished, SHOOT, tmp_path / "out", filters={plain[4]["photo"]: 0.3, plain[12]["photo"]: 0})
    inside = np.isin(np.arange(16), range(4, 12))
    change = column(rows, "known_step") - column(plain, "known_step")
    assert np.ptp(change[inside]) < 1e-5 and np.ptp(change[~inside]) < 1e-5
    assert change[4] - change[0] == pytest.approx(-0.3 * np.log2(10), abs=1e-5)


@pytest.mark.parametrize("added", [0.05, 0.2, 0.5])
@pytest.mark.parametrize(("first", "pace"), [(9, 0), (4, 1 / 6)])
def test_a_bus_that_lights_a_third_of_six_photos_moves_no_gain(finished, tmp_path, added, first, pace):
    """One that stands in the middle, where most of what lasts is, and one that crosses the picture."""
    plain, _ = run(finished, "approach", tmp_path / "plain")
    names = [row["photo"] for row in plain]
    (tmp_path / "proxies").mkdir()
    for path in (finished.results / "approach" / "work" / "proxies").glob("*.npz"):
        with np.load(path) as file:
            chunk = dict(file)
        across = (np.arange(chunk["light"].shape[2]) + 0.5) / chunk["light"].shape[2]
        for picture, name in zip(chunk["light"], chunk["names"], strict=True):
            passed = names.index(name) - first
            if 0 <= passed < 6:
                lit = np.abs(across - 0.5 - pace * (passed - 2.5)) < 1 / 6
                picture *= np.where(lit, 1 + added, 1).astype(np.float32)[:, None]
        np.savez(tmp_path / "proxies" / path.name, **chunk)
    lit, _ = run(finished, "approach", tmp_path / "lit", sorted((tmp_path / "proxies").glob("*.npz")))
    moved = column(lit, "applied_gain") - column(plain, "applied_gain")
    assert np.abs(moved - np.median(moved)).max() < np.log2(1.003)


def test_white_balance_that_flickers_moves_no_gain(finished, tmp_path):
    """What it does to grey is not the same all over it: red and blue are evened before photos are compared."""
    plain, _ = run(finished, "approach", tmp_path / "plain")
    names = [row["photo"] for row in plain]
    colours = np.random.default_rng(1).normal(0, 0.02, (len(names), 2))
    (tmp_path / "proxies").mkdir()
    for path in (finished.results / "approach" / "work" / "proxies").glob("*.npz"):
        with np.load(path) as file:
            chunk = dict(file)
        for picture, name in zip(chunk["light"], chunk["names"], strict=True):
            picture[..., ::2] *= np.exp(colours[names.index(name)]).astype(np.float32)
        np.savez(tmp_path / "proxies" / path.name, **chunk)
    rows, found = run(finished, "approach", tmp_path / "out", sorted((tmp_path / "proxies").glob("*.npz")))
    moved = column(rows, "applied_gain") - column(plain, "applied_gain")
    assert np.std(moved) < np.log2(1.0015)
    left = np.array([found["colours"][name] for name in names]) + colours / np.log(2)
    assert np.std(np.diff(left, axis=0)) / np.sqrt(2) < np.log2(1.0025)


@pytest.mark.parametrize("shoot", ["approach", "empty", "arc"])
def test_nothing_flickers_by_itself_where_nothing_does(finished, shoot):
    found = finished.json(shoot, "work/light.json")
    assert found["places"] == [] and found["colours"] == {}


def test_an_unknown_place_to_even_is_an_error(finished, tmp_path):
    said = run(finished, SHOOT, tmp_path / "out", even=[[0.01, 0.01]])
    assert said.startswith("kerbwalk: 'light.even' names [0.01, 0.01], and no place there flickers; those that do: ")
    assert "Traceback" not in said


# A dusk of ten stops, the exposure changed eight times.
CHANGES = tuple((photo, 4 / 3 * (k + 1)) for k, photo in enumerate((11, 14, 17, 19, 21, 23, 26))) + ((29, 10.0),)


@pytest.fixture(scope="module")
def dark(root, environment, tmp_path_factory, finished):
    """A short dusk of four stops, whose shutter, set a stop longer twice, really makes 1.3 stops the first time, and
    a lamp that flickers by itself; and one of ten stops."""
    folder = tmp_path_factory.mktemp("dark")
    dusk = ShootSpec(
        name="dusk", size=(480, 320), frames=30, seed=9, step_m=0.05, dusk_stops=4.0, gain_sigma=0.03,
        exposure_changes=((12, 1.3), (20, 2.3)), told_changes=((12, 1.0), (20, 2.0)),
        beat_sigma=0.2,
    )  # fmt: skip
    ten = ShootSpec(
        name="ten", size=(600, 400), frames=40, seed=17, step_m=0.1, dusk_stops=10.0, gain_sigma=0.03,
        exposure_changes=CHANGES,
    )  # fmt: skip
    truths = {}
    for spec in (dusk, ten):
        truths[spec.name] = make(folder, spec)
        settings = {"hold": truths[spec.name]["hold_fraction"]}
        (folder / "shoots" / spec.name / "shoot.yaml").write_text(yaml.safe_dump(settings))
    night = type(finished)(root, folder / "shoots", folder / "results", environment)
    night.run("--cores", "2", "--until", "light")  # which is no finished shoot
    return night, truths


def relit(night, truth, out, gain, lamp):
    """The shoot's proxies as they were if each photo had flickered by a further factor, gain (n,), and a lamp beside
    the clock by another, lamp (n,)."""
    out.mkdir()
    paths = sorted((night.results / truth["name"] / "work" / "proxies").glob("*.npz"))
    frames = {frame["photo"]: k for k, frame in enumerate(truth["frames"])}
    for path in paths:
        with np.load(path) as file:
            chunk = dict(file)
        for picture, name in zip(chunk["light"], chunk["names"], strict=True):
            k = frames[str(name)]
            at = reduced(truth["frames"][k]["beat_at"], int(chunk["light_scale"]))
            y, x = np.indices(picture.shape[:2])
            near = np.exp(-(np.square(x - at[0]) + np.square(y - at[1])) / 2 / 14**2)
            picture *= (gain[k] * (1 + (lamp[k] - 1) * near))[..., None].astype(np.float32)
        np.savez(out / path.name, **chunk)
    return sorted(out.glob("*.npz"))


@pytest.mark.parametrize(("seed", "show"), [(1, "fell"), (2, "photographed"), (3, "level")])
def test_a_dusk_of_ten_stops(dark, tmp_path, seed, show):
    """Every frame is within 1 % of the kept trend, and that within 2 % of what the setting promises: the reference's
    level, or the curve through the photos' true levels. The lamp that flickers is found, and nothing else."""
    night, truths = dark
    truth, rng = truths["ten"], np.random.default_rng(seed)
    gain, lamp = np.exp(rng.normal(0, [[0.05], [0.15]], (2, 40)))
    proxies = relit(night, truth, tmp_path / "proxies", gain, lamp)
    rows, found = run(night, "ten", tmp_path / "out", proxies, show=show)
    exposure, light = stops(truth, "exposure_stops"), stops(truth, "light_stops")
    level = np.log2(stops(truth, "gain") * gain) + exposure + light
    kept, known = column(rows, "kept_trend"), exposure - exposure[20]
    off = level + column(rows, "applied_gain") - kept
    assert np.abs(off - off.mean()).max() < np.log2(1.01)
    promised = trend.settle(np.log(2) * (level - level.mean()), known, show, 16, 20).kept
    assert np.abs(kept - promised - (kept - promised).mean()).max() < np.log2(1.02)
    if show == "fell":
        assert np.std(kept - light) < np.log2(1.02) * np.sqrt(120 / 40), "as near to the real light as so few tell"
    if show == "level":
        assert np.ptp(kept) == 0
    assert np.abs(np.diff(kept, 2)).max() < 0.05, "no step shows"
    (place,) = found["places"]
    where = np.array(truth["frames"][20]["beat_at"]) / truth["size"]
    assert abs(place["x"] - where[0]) < 0.06 and abs(place["y"] - where[1]) < 0.06
    gains = np.array([place["gains"][row["photo"]] for row in rows])
    without = ~stops(truth, "bus").astype(bool)  # which lights the place as well
    assert np.corrcoef(gains[without], np.log2(lamp)[without])[0, 1] < -0.93


def test_steps_by_shutter_aperture_iso_and_filter_are_known(dark, tmp_path):
    """The first three changes by the shutter, then two by f-number, two by speed, the last by taking off a filter."""
    night, truths = dark
    shoot = night.json("ten", "work/ingest.json")
    for k, record in enumerate(shoot["photos"]):
        changed = int(np.searchsorted([photo for photo, _ in CHANGES], k, side="right"))
        record["shutter"] = 3 * 2 ** (4 / 3 * min(changed, 3))
        record["aperture"] = (5.6, 3.5, 2.2)[int(np.clip(changed - 3, 0, 2))]
        record["iso"] = (100, 250, 640)[int(np.clip(changed - 5, 0, 2))]
    names = [record["name"] for record in shoot["photos"]]
    (tmp_path / "ingest.json").write_text(json.dumps(shoot))
    filters = {names[0]: 0.2, names[29]: 0}
    rows, found = run(night, "ten", tmp_path / "out", ingest=tmp_path / "ingest.json", filters=filters, show="fell")
    told = stops(truths["ten"], "told_stops")
    np.testing.assert_allclose(column(rows, "known_step"), told - told[20], atol=5e-3)
    assert [step["photo"] for step in found["steps"]] == [names[photo] for photo, _ in CHANGES]
    for step, known in zip(found["steps"], [4 / 3] * 7 + [2 / 3], strict=True):
        assert step["known"] == pytest.approx(known, abs=5e-3)
        assert step["measured"] == pytest.approx(known, abs=4 * step["sigma"]) and not step["differs"]


def test_dusk_and_a_shutter_that_is_not_true_to_its_name(dark, tmp_path):
    night, truth = dark[0], dark[1]["dusk"]
    rows, found = run(night, "dusk", tmp_path / "out", show="fell")
    np.testing.assert_allclose(np.diff(column(rows, "known_step")), np.diff(stops(truth, "told_stops")), atol=2e-3)
    assert [step["photo"] for step in found["steps"]] == ["KW_0113.dng", "KW_0121.dng"]
    for step, real in zip(found["steps"], (1.3, 1.0), strict=True):
        assert step["measured"] == pytest.approx(real, abs=4 * step["sigma"])
    assert found["steps"][0]["differs"] and not found["steps"][1]["differs"]
    clip = np.log2(stops(truth, "gain")) + stops(truth, "exposure_stops") + stops(truth, "light_stops")
    clip = clip + column(rows, "applied_gain")
    kept = column(rows, "kept_trend")
    assert np.abs((clip - kept) - (clip - kept).mean()).max() < 0.0144, "every frame within 1 % of the trend"
    error = kept - stops(truth, "light_stops")
    assert np.std(error) < 0.03, "the trend as close to the dusk as so few photos tell"


def test_a_lamp_that_flickers_by_itself_is_found_and_what_evens_it(dark, tmp_path):
    night, truth = dark[0], dark[1]["dusk"]
    where = np.array(truth["frames"][15]["beat_at"]) / truth["size"]
    rows, found = run(night, "dusk", tmp_path / "out", even=[where.tolist()])
    (index,) = found["even"]
    place = found["places"][index]
    assert len(found["places"]) <= 2, "passing things are not taken for it"
    gains = np.array([place["gains"][row["photo"]] for row in rows])
    beat = np.log2(stops(truth, "beat"))
    assert np.corrcoef(gains, beat)[0, 1] < -0.9
    pattern = np.array(place["pattern"])
    middle = pattern[
        len(pattern) // 2 - 1 : len(pattern) // 2 + 2, pattern.shape[1] // 2 - 1 : pattern.shape[1] // 2 + 2
    ]
    assert middle.mean() > 0.8 > 0.5 > np.median(pattern[[0, -1]])
