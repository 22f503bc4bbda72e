"""Composing: the warp against a formula, and gains that leave white alone."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import compose, mesh
from kerbwalk.homography import transfer


def warped(frame, matrix, size, shrink=1.0, factor=1.0):
    out = np.zeros((size[1], size[0], 3), np.float32)
    compose.warp(frame, np.asarray(matrix, float), compose.kernel_table(shrink), factor, out)
    return out


def shifted(dx, dy):
    return np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1]], float)


@given(st.floats(1, 6))
def test_kernel_rows_sum_to_one(shrink):
    table = compose.kernel_table(shrink)
    assert table.dtype == np.float32
    assert table.shape == (257, np.ceil(4 * shrink))
    np.testing.assert_allclose(table.sum(1, dtype=np.float64), 1, atol=1e-6)
    # a place half way sees as much on either side
    np.testing.assert_allclose(table[128], table[128, ::-1], atol=1e-7)


def test_identity_is_exact():
    frame = np.random.default_rng(1).integers(0, 65536, (40, 50, 3), dtype=np.uint16)
    assert (warped(frame, shifted(3, 5), (40, 30)) == frame[5:35, 3:43]).all()


def test_whole_pixels_are_exact():
    frame = np.random.default_rng(2).integers(0, 65536, (40, 50, 3), dtype=np.uint16)
    assert (warped(frame, shifted(5, 4), (40, 30)) == frame[4:34, 5:45]).all()


def test_a_matrix_that_turns_the_picture_over_is_an_error():
    with pytest.raises(IndexError):
        warped(np.zeros((40, 50, 3), np.uint16), [[-1, 0, 44], [0, -1, 34], [0, 0, 1]], (40, 30))


def test_shares_add_up():
    frame = np.random.default_rng(3).integers(0, 65536, (40, 50, 3), dtype=np.uint16)
    out = np.zeros((20, 20, 3), np.float32)
    for share in (0.25, 0.75):
        compose.warp(frame, shifted(9, 9), compose.kernel_table(1.0), share / 65535, out)
    np.testing.assert_allclose(out, frame[9:29, 9:29] / 65535, atol=1e-6)


@pytest.mark.parametrize("shrink", [1.0, 1.3, 2.0])
def test_warp_of_a_band_limited_function_is_its_analytic_value(waves, shrink):
    """Waves of 16 output pixels and more, turned, shrunk and seen in perspective."""
    texture = waves(51, shortest=16 * shrink, longest=80)
    frame = np.repeat(texture.seen((500, 400))[..., None], 3, axis=2)
    turn = np.array([[np.cos(0.05), -np.sin(0.05), 40], [np.sin(0.05), np.cos(0.05), 30], [2e-5, -3e-5, 1]])
    matrix = turn @ np.diag([shrink, shrink, 1])
    size = (int(300 / shrink), int(240 / shrink))
    out = warped(np.rint(frame).astype(np.uint16), matrix, size, shrink)
    y, x = np.mgrid[: size[1], : size[0]]
    where = transfer(matrix, np.column_stack([x.ravel(), y.ravel()]))
    truth = (12000 + 3000 * texture(*where.T)).reshape(size[1], size[0])
    error = out[..., 1] - truth
    # the texture's deviation is 3,000
    assert np.sqrt(np.mean(error**2)) < 0.01 * 3000
    assert abs(error.mean()) < 3
    assert (out[..., 0] == out[..., 2]).all()


@pytest.mark.parametrize("shrink", [1.7, 2.0, 2.4])
def test_what_is_too_fine_for_the_output_is_gone_and_makes_no_moire(shrink):
    """A wave of 1.25 output pixels would come out as one of 5 if it were only sampled."""
    x, left = np.arange(600), []
    for phase in np.linspace(0, np.pi, 5):
        wave = np.tile(12000 + 3000 * np.cos(2 * np.pi * x / (1.25 * shrink) + phase), (60, 1))
        frame = np.rint(np.repeat(wave[..., None], 3, axis=2)).astype(np.uint16)
        out = warped(frame, shifted(20, 20) @ np.diag([shrink, shrink, 1]), (200, 8), shrink)
        left.append(out.std() / frame.std())
    assert max(left) < 0.05


def test_flat_stays_flat():
    frame = np.full((60, 80, 3), 40000, np.uint16)
    turn = [[1.1, -0.1, 12], [0.1, 1.1, 9], [1e-5, 2e-5, 1]]
    np.testing.assert_allclose(warped(frame, turn, (40, 30)), 40000, rtol=1e-6)


@pytest.mark.parametrize("shrink", [1.0, 1.7])
def test_no_ring_around_a_lamp(shrink):
    """A lamp 300 times as bright as the sky around it: nothing comes out darker than the sky, or brighter than it."""
    frame = np.full((80, 80, 3), 200, np.uint16)
    frame[38:42, 38:42] = 60000
    for aside in (0.0, 0.25, 0.5, 0.8):
        out = warped(frame, shifted(12 + aside, 12 + aside) @ np.diag([shrink, shrink, 1]), (30, 30), shrink)
        assert out.min() >= 199.9
        assert out.max() <= 60000.1


def test_a_place_outside_the_frame_is_an_error_and_not_made_up():
    frame = np.zeros((40, 50, 3), np.uint16)
    for dx, dy in ((0, 5), (12, 5), (3, 0), (3, 10)):
        with pytest.raises(IndexError):
            warped(frame, shifted(dx, dy), (40, 30))


@given(st.floats(0, 200), st.floats(0, 200), st.floats(800, 2500), st.sampled_from([1, 2, 4]))
def test_output_to_frame_goes_by_edges(left, top, width, scale):
    """The crop's corners, edges of its outermost pixels, come to lie where the photo's edges convention says."""
    crop, output = (left, top, width, width * 0.5625), (1920, 1080)
    matrix = compose.output_to_frame(crop, output, shifted(7, -3), scale)
    found = transfer(matrix, np.array([[-0.5, -0.5], [1919.5, 1079.5]]))
    photo = np.array([[left, top], [left + width, top + width * 0.5625]]) + (7, -3)
    np.testing.assert_allclose(found, (photo - (scale - 1) / 2) / scale, atol=1e-6)


def test_shrink_widens_only_where_the_picture_shrinks():
    assert compose.shrink((0, 0, 3840, 2160), (1920, 1080), 1) == 2
    assert compose.shrink((0, 0, 3840, 2160), (1920, 1080), 2) == 1
    assert compose.shrink((0, 0, 1000, 562), (1920, 1080), 1) == 1


@pytest.mark.parametrize("gain", [0.05, 0.6, 0.94, 1.0, 1.06, 1.9, 30.0])
def test_a_gain_leaves_white_white_and_is_itself_below(gain):
    level = np.linspace(1e-3, 1, 20000, dtype=np.float32)
    scales = np.array([compose.held(one, np.float32(gain)) for one in level])
    result = level * scales[:, 0]
    assert result[-1] == pytest.approx(1, abs=1e-6) and scales[-1, 1] == pytest.approx(0, abs=1e-6)
    assert (np.diff(result) > -1e-7).all(), "what was brighter stays so, as far as single precision can tell"
    exact = level <= 0.85 / max(gain, 1)
    np.testing.assert_allclose(result[exact], gain * level[exact], rtol=1e-6)
    # bent, not broken
    knee = int(exact.sum())
    np.testing.assert_allclose(np.diff(result)[knee - 3 : knee + 3], gain * np.diff(level)[0], rtol=0.2)


def test_a_clipped_lamp_is_white_and_the_same_in_every_photo():
    """And the wall beside it is evened, in the colours of its gain."""
    frame = np.full((40, 60, 3), 9000, np.uint16)
    frame[:, 30:] = compose.WHITE
    table = compose.kernel_table(1.0)
    for gain in (0.9, 1.0, 1.1):
        out = np.zeros((20, 40, 3), np.float32)
        seen = np.uint16(np.minimum(frame / gain, compose.WHITE))
        seen[:, 30:] = compose.WHITE
        compose.warp(
            seen, np.array([[1, 0, 8], [0, 1, 8], [0, 0, 1.0]]), table, 1 / compose.WHITE, out, gain, (1.02, 1, 1)
        )
        np.testing.assert_allclose(out[:, 30:], 1, atol=1e-5)
        wall = out[:, :15] * compose.WHITE / 9000
        np.testing.assert_allclose(wall, np.broadcast_to([1.02, 1, 1], wall.shape), rtol=1e-3)


def test_a_place_is_evened_where_it_lies_and_nowhere_else():
    """The photo is taken from nearer than the reference: the place lies further from the hold point, and is larger."""
    crop, output = (100.0, 50.0, 800.0, 450.0), (400, 225)
    hold, size = (499.5, 249.5), (1000, 500)
    pattern = [[0, 0, 0, 0], [0, 1, 0.5, 0], [0, 0, 0, 0]]
    where, factor = compose.evening((0.7, 0.5, 0.08, 0.12), pattern, size, hold, 1.2, crop, output, -1.0)
    field = np.ones((225, 400, 1), np.float32)
    field[where] = factor
    # the box's middle lies 200 pixels right of the hold point, times 1.2; each of its 4 x 3 parts is 20 pixels, too
    x, y = (499.5 + 240 + 0.5 - 100) / 2 - 0.5, (249.5 + 0.5 - 50) / 2 - 0.5
    part = 1.2 * 20 / 2
    assert field[round(y), round(x - part / 2), 0] == pytest.approx(0.5, rel=0.08)
    assert field[round(y), round(x + part / 2), 0] == pytest.approx(0.5**0.5, rel=0.08)
    rows, columns = np.nonzero(field[..., 0] != 1)
    assert abs(rows - y).max() <= part and abs(columns - x).max() <= 1.5 * part
    assert compose.evening((0.01, 0.5, 0.02, 0.02), pattern, size, hold, 1.2, crop, output, 1.0)[1].size == 0


def test_local_shifts_are_part_of_the_same_interpolation():
    """On a slope the value says from where it was read: the homography's place and the grid's shift there."""
    height, width = 120, 160
    y, x = np.mgrid[:height, :width]
    frame = np.repeat((100.0 * x + 130.0 * y)[..., None], 3, axis=2).astype(np.uint16)
    crop, output, size = (20, 15, 110, 80), (110, 80), (160, 120)
    grid = np.random.default_rng(3).uniform(-1.5, 1.5, (5, 7, 2))
    matrix = compose.output_to_frame(crop, output, np.eye(3), 1)
    bend = grid, compose.output_to_grid(crop, output, size, grid.shape)
    bent, plain = (np.zeros((80, 110, 3), np.float32) for _ in range(2))
    compose.warp(frame, matrix, compose.kernel_table(1.0), 1.0, bent, bend=bend)
    compose.warp(frame, matrix, compose.kernel_table(1.0), 1.0, plain)
    v, u = np.mgrid[:80, :110]
    places = np.column_stack([u.ravel() + 20.5, v.ravel() + 15.5])
    shifts = mesh.at(grid, places, size).reshape(80, 110, 2)
    # the kernel reads a slope of 230 a pixel to about 5 % of that
    assert np.abs(bent[..., 0] - plain[..., 0] - shifts @ [100, 130]).max() < 12
    with pytest.raises(IndexError):
        compose.warp(frame, matrix, compose.kernel_table(1.0), 1.0, bent, bend=(grid + 40, bend[1]))
