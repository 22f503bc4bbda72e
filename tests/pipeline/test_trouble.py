"""What goes wrong on a street, in rendered photos, from files to warps: none may be placed where it is not."""

import shutil

import cv2
import numpy as np
import pytest
import yaml

from demo import faults
from kerbwalk.homography import transfer
from tests.conftest import Night

PHOTOS = 16
# Photos of either shoot, counted from 0. The middle one, 8, is the reference.
TOUCHED, COVERED, COPIED = 3, 5, 11
BUS = [*range(1, 8), *range(9, 12)]


def bus(planes):
    """A bus with lit windows stands before most of the picture's middle, the hold point too."""
    height, width = planes.shape[1:]
    side = np.full((height, width), 60, np.float32)
    top, bottom, left, right = (
        round(part * n) for part, n in ((0.3, height), (0.8, height), (0.2, width), (0.7, width))
    )
    for x in range(left + 8, right - 20, 34):
        side[top + 10 : top + 50, x : x + 26] = 1500
        side[top + 60 : bottom - 20, x + 9 : x + 17] = 400
    side = cv2.GaussianBlur(side, (0, 0), 0.8)
    changed = planes.copy()
    changed[:, top:bottom, left:right] = side[top:bottom, left:right]
    return changed


@pytest.fixture(scope="module")
def trouble(truth, root, environment, tmp_path_factory):
    """A night of two shoots whose photos are those of `approach`, something happening to some of them."""
    folder = tmp_path_factory.mktemp("trouble")
    names = [frame["photo"] for frame in truth["approach"]["frames"][:PHOTOS]]
    for shoot in ("touched", "bus"):
        own = folder / "shoots" / shoot
        own.mkdir(parents=True)
        for name in names:
            shutil.copy2(truth["shoots"] / "approach" / name, own)
        place = truth["approach"]["frames"][PHOTOS // 2]["hold"]
        hold = ((np.array(place) + 0.5) / truth["approach"]["size"]).tolist()
        (own / "shoot.yaml").write_text(yaml.safe_dump({"hold": hold, "reference": names[PHOTOS // 2]}))
    touched = folder / "shoots" / "touched"
    faults.relight(touched / names[TOUCHED], faults.shake(0.012))
    faults.relight(touched / names[COVERED], faults.obstruct(0.5))
    shutil.copy2(touched / names[COPIED], touched / "KW_0150.dng")
    for k in BUS:
        faults.relight(folder / "shoots" / "bus" / names[k], bus)
    night = Night(root, folder / "shoots", folder / "results", environment)
    night.run("--cores", "2", "touched/work/warps.json", "bus/work/warps.json")
    return night


def misplaced(night, shoot, truth):
    """How far each photo that is placed has the true hold point from where it is held, {number: photo pixels}."""
    warps = night.json(shoot, "work/warps.json")
    true = {frame["photo"]: (k, frame["hold"]) for k, frame in enumerate(truth["approach"]["frames"])}
    found = {}
    for photo in warps["photos"]:
        if photo["placed"]:
            k, hold = true[photo["name"]]
            found[k] = np.hypot(*(transfer(np.linalg.inv(photo["matrix"]), np.array([hold]))[0] - warps["hold"]))
    return found


def test_a_touched_tripod_a_back_before_half_the_picture_a_bump_and_a_copy(trouble, truth):
    off = misplaced(trouble, "touched", truth)
    named = {p["name"]: p["problem"] for p in trouble.json("touched", "work/warps.json")["photos"] if not p["placed"]}
    bumped = [f["photo"] for f in truth["approach"]["frames"][:PHOTOS] if f["bumped"]]
    assert set(bumped) <= set(named) and all(named.values())
    assert len(off) >= PHOTOS - len(bumped) - 1
    assert max(off[k] for k in off if k != COVERED) < 0.3, off
    assert off.get(COVERED, 0) < 1.0
    audit = trouble.json("touched", "audit.json")
    assert len(audit["photos"]) == PHOTOS, "the copy is left out"
    assert "duplicate" in {finding["code"] for finding in audit["findings"]}


def test_a_bus_that_stands_before_the_hold_point_for_ten_photos(trouble, truth):
    off = misplaced(trouble, "bus", truth)
    assert set(off) >= set(range(PHOTOS)) - {*BUS, 13}
    assert max(off[k] for k in off if k not in BUS) < 0.3
    assert max(off.values()) < 1.0
