"""A look from a graded still: unknown edits that were made to every pixel alike are found; stills are laid on."""

import cv2
import numpy as np
import pytest

from kerbwalk import difference, look, match, still

GREY = np.array([0.2126, 0.7152, 0.0722])


def warm(x):
    y = np.clip(x * [1.12, 1.0, 0.88] + [0.015, 0, 0.03], 0, 1)
    y = y - 0.07 * np.sin(2 * np.pi * y)
    luma = (y @ GREY)[..., None]
    y = np.clip(luma + 1.25 * (y - luma), 0, 1)
    return np.clip(y + (1 - y) ** 3 * [-0.01, 0.012, 0.02], 0, 1)


def cold(x):
    luma = (x @ GREY)[..., None]
    return np.clip((luma + 0.6 * (x - luma)) ** [1.15, 1.05, 0.9] * [0.9, 1.0, 1.05], 0, 1)


def grey(x):
    return np.repeat((x @ [0.4, 0.4, 0.2])[..., None] ** 1.2, 3, axis=-1)


@pytest.fixture(scope="module")
def picture():
    """A night picture as signal, float32 (400, 600, 3): dark, with lamps and a few strong colours."""
    rng = np.random.default_rng(6)
    picture = np.full((400, 600, 3), [0.12, 0.13, 0.2], np.float32)
    for _ in range(120):
        x, y = rng.integers(0, 600), rng.integers(0, 400)
        shade = rng.uniform(0.02, 0.7) * rng.uniform([0.7, 0.6, 0.3], [1.3, 1.0, 0.9])
        cv2.rectangle(picture, (x, y), (x + int(rng.integers(8, 70)), y + int(rng.integers(8, 60))), shade.tolist(), -1)
    for colour in ([1, 0.95, 0.8], [0.8, 0.1, 0.1], [0.1, 0.5, 0.2], [0.1, 0.2, 0.8], [1, 0.7, 0.2]):
        cv2.circle(picture, tuple(map(int, rng.integers(40, 360, 2))), 22, colour, -1)
    shading = np.linspace(0.6, 1.3, 600, dtype=np.float32)[None, :, None]
    noise = rng.normal(0, 0.006, picture.shape).astype(np.float32)
    return np.clip(cv2.GaussianBlur(picture * shading, (0, 0), 0.8) + noise, 0, 1)


def changed(cube, picture):
    return look.applied(look.cube(cube), picture.reshape(-1, 3)).reshape(picture.shape)


def apart(one, other):
    return difference.ciede2000(difference.lab_of_signal(one), difference.lab_of_signal(other))


@pytest.mark.parametrize("edit", [warm, cold, grey])
def test_a_global_edit_is_found(picture, edit):
    graded = np.rint(edit(picture) * 255) / 255
    cube, cdl = match.fit(*still.pairs(picture, graded, np.ones(picture.shape[:2], bool)))
    off = apart(changed(cube, picture), edit(picture))
    assert np.median(off) < 0.5
    assert np.percentile(off, 95) < 1.5
    assert min(cdl["power"]) > 0 and min(cdl["slope"]) > 0


def test_a_local_edit_is_outvoted(picture):
    graded = warm(picture)
    graded[100:200, 150:300] *= 0.4
    cube, _ = match.fit(*still.pairs(picture, graded, np.ones(picture.shape[:2], bool)))
    off = apart(changed(cube, picture), warm(picture))
    assert np.median(off) < 1
    assert np.percentile(off, 90) < 3


def test_what_the_still_does_not_show_stays_sane(picture):
    """Rising with each channel, within the display, and no more than the edit itself would do by much."""
    cube, _ = match.fit(*still.pairs(picture, cold(picture), np.ones(picture.shape[:2], bool)))
    assert cube.min() >= 0 and cube.max() <= 1
    for channel in range(3):
        assert (np.diff(cube[..., channel], axis=channel) >= 0).all()
    places = np.stack(np.meshgrid(*[np.linspace(0, 1, match.CUBE)] * 3, indexing="ij"), axis=-1)
    assert np.median(apart(cube, cold(places))) < 5


def test_a_still_that_was_cropped_and_scaled_is_found(picture):
    large = cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    graded = cv2.resize(warm(large)[80:700, 120:1100].astype(np.float32), None, fx=0.7, fy=0.7, interpolation=3)
    before, after, inside, resampled = still.registered(large, graded)
    assert resampled
    before, after = still.softened(before), still.softened(after)
    assert 0.45 < inside.mean() < 0.7
    off = apart(warm(before), after)[inside]
    assert np.median(off) < 0.6
    cube, _ = match.fit(*still.pairs(before, after, inside))
    assert np.median(apart(changed(cube, picture), warm(picture))) < 1


@pytest.mark.parametrize(("other", "words"), [("black", "all of one tone"), ("elsewhere", "does not show the scene")])
def test_a_still_of_something_else_is_refused(picture, other, words, waves):
    graded = np.zeros_like(picture)
    if other == "elsewhere":
        graded = np.repeat(waves(3).seen((600, 400), level=0.4, contrast=0.1)[..., None], 3, axis=2).astype(np.float32)
    with pytest.raises(ValueError, match=words):
        still.registered(picture, graded)
