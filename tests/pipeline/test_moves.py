"""A slow push-in and pan, in the finished frames."""

import cv2
import numpy as np

from kerbwalk.moves import moved

PUSH_IN, PAN = 1.3, [-0.06, 0.02]


def to_crop(crop, output):
    """The 3x3 matrix from the steadied plane to a picture of the crop."""
    step = np.array(crop[2:]) / output
    shift = -np.array(crop[:2]) / step - 0.5
    return np.array([[1 / step[0], 0, shift[0]], [0, 1 / step[1], shift[1]], [0, 0, 1]])


def test_the_clip_moves_as_the_crop_does(undisturbed, planes, tmp_path):
    """Each frame against that of the standing clip, by ECC (Evangelidis & Psarakis 2008) with an affine map. What lies
    about the middle has to lie where the crop says, to half a pixel.
    """
    night = undisturbed.elsewhere(tmp_path / "results")
    framing = {"push_in": PUSH_IN, "pan": PAN}
    night.finish("--cores", "2", "walk/master.mkv", settings={"frames_per_job": 3, "framing": framing})
    before, after = (one.json("walk", "work/framing.json") for one in (undisturbed, night))
    hold, output, moves = night.json("walk", "work/warps.json")["hold"], after["output"], after["moves"]
    assert before["output"] == output and before["moves"] is None
    assert moves[0] == [1, 0, 0] and np.allclose(moves[-1], [1 / PUSH_IN, *PAN])
    assert (np.diff([factor for factor, *_ in moves]) < 0).all()
    pairs = zip(*(planes(one.results / "walk" / "master.mkv") for one in (undisturbed, night)), strict=True)
    middle, places = np.array(output) / 2, np.mgrid[-100:101:100, -100:101:100].reshape(2, -1).T
    places = np.column_stack([middle + places * np.array(output) / 500, np.ones(9)])
    for (standing, *_), (frame, *_), move in zip(*zip(*pairs, strict=True), moves, strict=True):
        there = to_crop(moved(after["crop"], hold, move), output)
        wanted = to_crop(before["crop"], output) @ np.linalg.inv(there)
        one, other = (cv2.GaussianBlur(luma.astype(np.float32), (0, 0), 1.5) for luma in (frame, standing))
        start = wanted[:2].astype(np.float32)
        likeness, found = cv2.findTransformECC(one, other, start, cv2.MOTION_AFFINE, (3, 60, 1e-6), None, 5)
        assert likeness > 0.98
        assert np.abs(places @ (found - wanted[:2]).T).max() < 0.5
