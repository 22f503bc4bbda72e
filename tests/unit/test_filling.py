"""Filled borders: near the truth where neighbours agree, refused where they do not, and never an undefined pixel."""

import numpy as np
import pytest

from kerbwalk import compose, filling, layers, lens, registration

SIZE, BORDERS, CROP = (600, 400), np.full(4, 6.0), (12.0, 12.0, 570.0, 376.0)
# Where the plane's points lie in the photos: the second is aimed off to the left and above.
AIMS = (0, 0), (20, 8), (-2, 1)


def record(shift):
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    ahead = {"matrix": np.eye(3).tolist(), "grid": None}
    return {"matrix": matrix.tolist(), "grid": None, "placed": True, "ahead": ahead}


@pytest.fixture(scope="module")
def frames(waves):
    """What the photos show, uint16 (h, w)."""
    texture = waves(3, shortest=16.0)
    return [np.uint16(texture.seen(SIZE, np.array(record(aim)["matrix"]))) for aim in AIMS]


def fill(photos, frames):
    """filling.filled() of the second photo."""
    level = registration.bright_level(frames[0])
    small = [registration.encode(frame, level).astype(np.float32) for frame in frames]
    return filling.filled(photos, 1, [CROP], SIZE, BORDERS, lens.plain(SIZE), small.__getitem__, 1)


def layer(frame, warp):
    rgb = np.ascontiguousarray(np.repeat(frame[..., None], 3, axis=2))
    return layers.Layer(rgb, warp, 1.0, 1.0, compose.PLAIN, lens.plain(SIZE), SIZE, 1)


def test_filled_borders_show_what_is_there(waves, frames):
    """The neighbours' warps are off by 1.5 pixels, as those of near things are: what is filled is within a tenth of the
    texture's deviation of the truth at every pixel, as the photo's own part is within a twentieth.
    """
    photos = [record(aim) for aim in AIMS]
    for k in (0, 2):
        photos[k] = record(np.add(AIMS[k], (1.2, -0.9)))
    n, warp = fill(photos, frames)
    assert n == 0
    assert filling.lacks(photos[1], CROP, SIZE, BORDERS) == pytest.approx(1 - (561.5 / 570) * (373.5 / 376), abs=0.003)
    out = np.zeros((376, 570, 3), np.float32)
    layers.lay_filled(
        layer(frames[1], photos[1]), layer(frames[0], warp), CROP, compose.kernel_table(1.0), BORDERS, out
    )
    y, x = np.mgrid[:376, :570] + 12.5
    error = np.abs(out[..., 1] - 12000 - 3000 * waves(3, shortest=16.0)(x, y)) / 3000
    places = np.stack([x, y], -1).reshape(-1, 2)
    own = filling.inside(photos[1], places, SIZE, BORDERS).reshape(x.shape) >= filling.JOIN * SIZE[0]
    assert 0.9 < own.mean() < 0.96
    assert error[own].max() < 0.05
    assert error[~own].max() < 0.1


def test_borders_whose_neighbours_show_something_else_are_left(frames):
    photos = [record(aim) for aim in AIMS]
    assert fill(photos, frames)[0] == 0
    others = [frame.copy() for frame in frames]
    others[0][150:190, 565:585] //= 4
    assert fill(photos, others)[0] == 2
    others[2][150:190, 562:582] //= 4
    assert fill(photos, others) is None


def test_a_neighbour_has_to_reach_everywhere(frames):
    photos = [record(aim) for aim in ((24, 8), AIMS[1], (20, 10))]
    assert fill(photos, frames) is None
    out = np.zeros((376, 570, 3), np.float32)
    both = layer(frames[1], photos[1]), layer(frames[0], photos[0])
    with pytest.raises(IndexError):
        layers.lay_filled(*both, CROP, compose.kernel_table(1.0), BORDERS, out)


def test_the_join_is_smooth():
    """A grey photo filled from a brighter one: the light goes over from the one to the other without a step."""
    photos = [record(aim) for aim in AIMS]
    dark, bright = (np.full((400, 600), level, np.uint16) for level in (10000, 12000))
    out = np.zeros((376, 570, 3), np.float32)
    layers.lay_filled(layer(dark, photos[1]), layer(bright, photos[0]), CROP, compose.kernel_table(1.0), BORDERS, out)
    assert out[100, 300, 0] == 10000 and out[100, -1, 0] == 12000 and out[-1, 100, 0] == 12000
    assert np.abs(np.diff(out[..., 0], axis=0)).max() < 450 and np.abs(np.diff(out[..., 0], axis=1)).max() < 450
