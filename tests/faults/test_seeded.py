"""Faults put into shoots of the demo on purpose: each is found, and nothing else is said."""

import importlib.util
import json
import shutil
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import yaml

from demo import faults
from house.listing import list_photos

REPO = Path(__file__).resolve().parents[2]
STANDARD = yaml.safe_load((REPO / "config" / "config.yaml").read_text(encoding="utf-8"))
COUNT = 12
START = datetime(2031, 3, 14, 21, 4, 10)


@pytest.fixture(scope="module")
def stage():
    """A function: run a stage's script on this process, as starting a new one costs more than the stage."""

    def run(name, **options):
        spec = importlib.util.spec_from_file_location(f"stage_{name}", REPO / "scripts" / f"{name}.py")
        script = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(script)
        argv = [name]
        for key, value in options.items():
            argv += [f"--{key}", value if isinstance(value, str) else json.dumps(value)]
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "argv", argv)
            script.main()

    return run


@pytest.fixture
def judged(stage, tmp_path):
    """A function: (audit.json, ingest.json) of a folder of photos under some settings."""

    def judge(folder, **settings):
        settings = STANDARD | settings | {"audit": STANDARD["audit"] | settings.get("audit", {})}
        out = {key: str(tmp_path / key) for key in ("ingest", "glance", "table", "audit")}
        names = list_photos(folder)
        stage(
            "ingest", folder=str(folder), names=names, history=str(tmp_path), out=out["ingest"], glance=out["glance"],
            table=out["table"],
        )  # fmt: skip
        lone = json.dumps([f.name for f in folder.glob("*.JPG")])
        stage(
            "audit", ingest=out["ingest"], glance=out["glance"], settings=settings, out=out["audit"],
            **{"lone-jpegs": lone},
        )  # fmt: skip
        return (json.loads(Path(out[key]).read_text()) for key in ("audit", "ingest"))

    return judge


@pytest.fixture
def photos(truth, tmp_path):
    """The first photos of a walk in which nothing is wrong."""
    folder = tmp_path / "walk"
    folder.mkdir()
    for photo in sorted((truth["shoots"] / "approach").glob("*.dng"))[:COUNT]:
        shutil.copy2(photo, folder)
    return sorted(folder.glob("*.dng"))


def stamp(photo, seconds, subsecond="00"):
    moment = START + timedelta(seconds=seconds)
    faults.retag(photo, time=moment.strftime("%Y:%m:%d %H:%M:%S"), subsecond=subsecond)


def later(photos, first, seconds):
    """The camera's clock from photo `first` on."""
    for k, photo in enumerate(photos):
        stamp(photo, 13 * k + (seconds if k >= first else 0))


def all_of(photos, change):
    for k, photo in enumerate(photos):
        faults.relight(photo, change(k / (len(photos) - 1)))


def tag_all(photos, **values):
    for photo in photos:
        faults.retag(photo, **values)


def two_shoots(photos):
    for k, photo in enumerate(photos):
        stamp(photo, 13 * k + (1800 + 17 if k >= 7 else 0))


def at_one_time(photos):
    """The second half of them as of another walk, in a folder of its own."""
    (photos[0].parent / "quay").mkdir()
    for k, photo in enumerate(photos[6:]):
        stamp(photo, 13 * k)
        photo.rename(photo.parent / "quay" / photo.name)


def lone(photos):
    photos[4].with_suffix(".jpg").write_bytes(b"of a raw file")
    photos[4].with_name("KW_0299.JPG").write_bytes(b"of none")
    photos[4].with_suffix(".xmp").write_text("a sidecar")


def put_aside(photos):
    (photos[0].parent / "rejects").mkdir()
    photos[5].rename(photos[0].parent / "rejects" / photos[5].name)


# {what: (how, {code: numbers of the photos, or None where all or none are named})}
SEEDS = {
    "nothing": (lambda p: None, {}),
    "cut short": (lambda p: faults.cut(p[5], 0.6), {"unreadable": [5]}),
    "damaged": (lambda p: faults.spoil(p[5]), {"damaged": [5]}),
    "empty": (lambda p: faults.cut(p[5], 0), {"unreadable": [5]}),
    "twice": (lambda p: shutil.copy2(p[5], p[5].with_name("KW_0106 (1).dng")), {"duplicate": None}),
    "another camera": (lambda p: faults.retag(p[5], model="Noctule 3"), {"other_camera": [5]}),
    "upside down": (lambda p: faults.retag(p[5], orientation=3), {"other_orientation": [5]}),
    "on its side": (lambda p: faults.retag(p[5], orientation=6), {"other_orientation": [5]}),
    "zoomed": (lambda p: faults.retag(p[5], focal=21.0), {"other_focal": [5]}),
    "another lens": (lambda p: faults.retag(p[5], lens="Umbrascope 18 mm"), {"other_lens": [5]}),
    "short exposures": (lambda p: tag_all(p, shutter=0.5), {"short_shutter": None}),
    "wide": (lambda p: tag_all(p, focal35=20), {"wide_lens": None}),
    "exposure changed": (lambda p: tag_all(p[5:], shutter=4.0), {"shutter_changed": [5]}),
    "aperture changed": (lambda p: tag_all(p[5:], aperture=8.0), {"aperture_changed": [5]}),
    "speed changed": (lambda p: tag_all(p[5:], iso=200), {"iso_changed": [5]}),
    "balance changed": (lambda p: tag_all(p[5:], neutral=[0.5, 1, 0.8]), {"white_balance_changed": [5]}),
    "a rest": (lambda p: later(p, 5, 20), {"irregular_interval": [4, 5]}),
    "haste": (lambda p: later(p, 5, -10.5), {"short_interval": [5]}),
    "one gone": (lambda p: p[5].unlink(), {"missing_photo": [4, 6]}),
    "clock set back": (lambda p: later(p, 5, -3600), {"clock_changed": [4, 5]}),
    "clock set ahead": (lambda p: later(p, 5, 3600), {"clock_changed": [4, 5]}),
    "no time": (lambda p: tag_all(p, time=None, datetime=None), {"no_time": None}),
    "out of focus": (lambda p: faults.relight(p[5], faults.defocus(0.003)), {"not_sharp": [5]}),
    "shaken": (lambda p: faults.relight(p[5], faults.shake(0.01)), {"not_sharp": [5]}),
    "knocked": (lambda p: faults.relight(p[5], faults.knock(0.04, 0.02)), {"bumped_aim": [5]}),
    "somebody's back": (lambda p: faults.relight(p[5], faults.obstruct(0.4)), {"obstructed": [5]}),
    "lens cap": (lambda p: faults.relight(p[5], faults.dim(-9)), {"too_dark": [5]}),
    "far too dark": (lambda p: all_of(p, lambda part: faults.dim(-6)), {"too_dark": None}),
    "clipped": (lambda p: faults.relight(p[5], faults.dim(3)), {"clipped": [5]}),
    "dew": (lambda p: all_of(p, lambda part: faults.dew(0.7 * part)), {"fading": None}),
    "dust": (lambda p: all_of(p, lambda part: faults.dust([(0.7, 0.2), (0.4, 0.1)])), {"dust": None}),
    "leaning": (lambda p: all_of(p, lambda part: faults.roll(3 * part)), {"level_drift": None}),
    "a JPEG alone": (lone, {"not_raw": None}),
    "put aside": (put_aside, {"in_folder": None}),
    "half an hour later": (two_shoots, {"two_shoots": [7]}),
    "side by side": (at_one_time, {"two_shoots": None}),
}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_fault_is_found_and_nothing_else_is_said(photos, judged, seed):
    change, expected = SEEDS[seed]
    change(photos)
    audit, _ = judged(photos[0].parent)
    assert {f["code"] for f in audit["findings"]} == expected.keys(), audit["findings"]
    for f in audit["findings"]:
        if expected[f["code"]]:
            assert f["photos"] == [photos[k].name for k in expected[f["code"]]]
        assert ";" in f["message"] or ":" in f["message"], "it says what to do"
        if f["severity"] == "fault":
            assert not set(f["photos"]) & set(audit["photos"])


@pytest.mark.parametrize("shoot", ["approach", "empty", "arc"])
def test_no_false_alarm(truth, judged, shoot):
    audit, _ = judged(truth["shoots"] / shoot)
    said = {(f["code"], *f["photos"]) for f in audit["findings"]}
    true = {
        "approach": {("bumped_aim", "KW_0114.dng")},
        "empty": set(),
        "arc": {("shutter_changed", "KW_0110.dng")},
    }
    assert said == true[shoot]
