"""Registration, on textures that are known at every point."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerbwalk import registration
from kerbwalk.homography import jacobian, transfer

SIZE = (640, 426)


def shifted(dx, dy):
    return np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1]], float)


def eight_bit(picture):
    return registration.encode(np.clip(picture, 0, 65535).astype(np.uint16))


@pytest.mark.parametrize("shift", [(0, 0), (38, -20), (-92, 44), (130, 70), (-150, -64)])
def test_coarse_shift(waves, shift):
    """To either side: a shift by more than half of the transform's period would come out with the wrong sign."""
    texture = waves(5)
    first, second = (eight_bit(texture.seen(SIZE, shifted(*s))) for s in ((0, 0), shift))
    found = registration.coarse_shifts(*map(registration.spectrum, (first, second)), first.shape)
    assert len(found) == 3
    assert np.hypot(*np.subtract(found[0], shift)) <= 3


def test_encode_does_not_depend_on_exposure(waves):
    picture = waves(6).seen(SIZE, level=2000, contrast=500)
    one, other = eight_bit(picture), eight_bit(picture * 8)
    assert np.abs(one.astype(int) - other).max() <= 1


def test_corners_are_spread_and_inside(waves):
    picture = waves(7).seen((900, 600))
    picture[:, 450:] = 12000 + 0.4 * (picture[:, 450:] - 12000)  # half the picture has less contrast
    found = registration.corners(eight_bit(picture))
    assert found.dtype == np.float32
    assert 100 < len(found) <= registration.FEATURES
    assert (found >= 8).all() and (found <= np.array([900, 600]) - 9).all()
    share = (found[:, 0] > 460).mean()
    assert share > 0.15


def test_followed_corners_lie_where_the_homography_says(waves, turned):
    texture, truth = waves(8), turned(SIZE, 0.012, -0.008, 0.02)
    first, second = eight_bit(texture.seen(SIZE)), eight_bit(texture.seen(SIZE, truth))
    points = registration.corners(first)
    found, ok = registration.follow(first, second, points, shifted(5, 3))
    assert ok.mean() > 0.6
    error = np.hypot(*(found - transfer(truth, points)).T)[ok]
    assert np.median(error) < 0.06
    assert np.quantile(error, 0.95) < 0.5


@pytest.mark.parametrize("seed", range(4))
def test_fit_takes_40_per_cent_of_outliers(turned, seed):
    rng = np.random.default_rng(seed)
    truth = turned(SIZE, *rng.uniform(-0.03, 0.03, 3))
    source = rng.uniform((0, 0), SIZE, (300, 2))
    target = transfer(truth, source) + rng.normal(0, 0.1, (300, 2))
    # a crowd that walks together, and strays
    target[:60] += (25, 3) + rng.normal(0, 1, (60, 2))
    target[60:120] = rng.uniform((0, 0), SIZE, (60, 2))
    centre = np.array([300.0, 200.0])
    start = shifted(4, -4) @ truth
    link = registration.fit(source, target, start, centre, 0.18 * SIZE[0])
    about = centre + rng.uniform(-60, 60, (50, 2))
    assert np.hypot(*(transfer(link.matrix, about) - transfer(truth, about)).T).max() < 0.08
    assert link.inliers == pytest.approx(180, abs=4)
    assert link.share == pytest.approx(0.6, abs=0.1)
    # the residual of two coordinates with a deviation of 0.1
    assert link.rms == pytest.approx(0.1 * np.sqrt(2), abs=0.03)


def test_fit_is_exact_without_noise(turned):
    truth = turned(SIZE, 0.02, 0.03, -0.04)
    source = np.random.default_rng(1).uniform((0, 0), SIZE, (80, 2))
    link = registration.fit(source, transfer(truth, source), np.eye(3), np.array([320.0, 213.0]), 1000.0)
    # the little weight on "no perspective" biases by less than this
    assert np.hypot(*(transfer(link.matrix, source) - transfer(truth, source)).T).max() < 0.02


def test_too_few_corners_give_no_link(waves):
    picture = eight_bit(waves(9).seen(SIZE))
    few = registration.corners(picture)[:11]
    assert registration.register(picture, picture, few, np.eye(3), (320, 213), 100)[0] is None


@settings(max_examples=15)
@given(
    st.tuples(*[st.floats(-0.02, 0.02)] * 3),
    st.tuples(st.floats(-2, 2), st.floats(-2, 2)),
    st.floats(0.4, 2.0),
    st.floats(-2000, 2000),
)
def test_patch_is_found_to_a_fiftieth_of_a_pixel(waves, turned, angles, off, gain, offset):
    """Whatever the exposure; the point itself lies between pixels."""
    texture, truth = waves(10), turned(SIZE, *angles)
    first = texture.seen(SIZE)
    second = (gain * texture.seen(SIZE, truth) + offset).astype(np.float32)
    point = np.array([301.4, 207.7])
    position, likeness, _ = registration.refine_patch(first, second, shifted(*off) @ truth, point, 30)
    assert np.hypot(*(position - transfer(truth, point[None])[0])) < 0.02
    assert likeness > 0.995


@pytest.mark.parametrize("bent", [(6e-4, 0.0), (0.0, -6e-4)])
def test_a_patch_keeps_its_own_perspective(waves, turned, bent):
    """Walls nearby lead to another one, by half a pixel at the patch's edges."""
    texture, about, point = waves(10), turned(SIZE, 0.01, -0.01, 0.01), np.array([301.0, 207.0])
    own = shifted(*point) @ np.array([[1, 0, 0], [0, 1, 0], [*bent, 1]]) @ shifted(*-point)
    found, likeness, _ = registration.refine_patch(
        texture.seen(SIZE), texture.seen(SIZE, about @ own), about, point, 30
    )
    assert np.hypot(*(found - transfer(about, point[None])[0])) < 0.03
    assert likeness > 0.995


def covered_patch(waves, turned, seed, side, edge, kind):
    """(what refine_patch says, the true position) where something stands in front, from `edge` pixels beside the
    point on, of a patch of 30 px radius: 8 px leave 63 % of it to be seen.
    """
    texture, truth = waves(seed), turned(SIZE, 0.01, -0.01, 0.01)
    first, second = texture.seen(SIZE), texture.seen(SIZE, truth)
    point = np.array([310.0, 210.0])
    position = transfer(truth, point[None])[0]
    x, y = np.rint(position).astype(int)
    cover = {"texture": lambda: waves(seed + 99).seen(SIZE, level=15000), "grey": lambda: np.full_like(second, 12000),
             "dark": lambda: np.full_like(second, 3000)}[kind]()  # fmt: skip
    area = (np.s_[:, x + edge :], np.s_[:, : x - edge], np.s_[y + edge :, :], np.s_[: y - edge, :])[side]
    second[area] = cover[area]
    return registration.refine_patch(first, second, shifted(0.8, -0.6) @ truth, point, 30), position


@pytest.mark.parametrize("kind", ["texture", "grey", "dark"])
@pytest.mark.parametrize("edge", [8, 3])
def test_partly_covered_patch(waves, turned, kind, edge):
    """Something unlike the patch stands in front of 37 % or 45 % of it, on any side; "dark" is as a walker is."""
    for seed in range(3):
        for side in range(4):
            found, truth = covered_patch(waves, turned, seed, side, edge, kind)
            assert found is not None and found[1] > 0.75, f"texture {seed}, side {side}: not found"
            assert np.hypot(*(found[0] - truth)) < 0.05, f"texture {seed}, side {side}"


@pytest.mark.parametrize("kind", ["texture", "grey", "dark"])
def test_half_covered_patch_is_right_or_given_up(waves, turned, kind):
    """What tracking believes (a likeness above 0.75, see kerbwalk.track) is not far off; at exactly half, where no
    method can tell which half is the patch, once in twelve it may be.
    """
    wrong = 0
    for seed in range(3):
        for side in range(4):
            found, truth = covered_patch(waves, turned, seed, side, 0, kind)
            wrong += found is not None and found[1] > 0.75 and np.hypot(*(found[0] - truth)) > 0.5
    assert wrong <= 1


def test_a_wholly_covered_patch_is_unlike(waves):
    first, second = waves(12).seen(SIZE), waves(13).seen(SIZE)
    found = registration.refine_patch(first, second, np.eye(3), (310.0, 210.0), 30)
    assert found is None or found[1] < 0.75


def test_no_patch_without_texture_or_over_the_edge(waves):
    flat = np.full((426, 640), 9000, np.float32)
    stripes = flat + 2000 * np.sin(np.arange(640, dtype=np.float32) / 5)
    assert registration.refine_patch(flat, flat, np.eye(3), (310.0, 210.0), 30) is None
    assert registration.refine_patch(stripes, stripes, np.eye(3), (310.0, 210.0), 30) is None
    picture = waves(14).seen(SIZE)
    assert registration.refine_patch(picture, picture, np.eye(3), (20.0, 210.0), 30) is None
    assert registration.refine_patch(picture, picture, shifted(320, 0), (310.0, 210.0), 30) is None


def test_jacobian_is_the_derivative(turned):
    matrix, point = turned(SIZE, 0.1, -0.2, 0.3), np.array([200.0, 300.0])
    step = 1e-4
    columns = [
        (transfer(matrix, (point + d)[None]) - transfer(matrix, (point - d)[None]))[0] / (2 * step)
        for d in np.eye(2) * step
    ]
    np.testing.assert_allclose(jacobian(matrix, point), np.column_stack(columns), rtol=1e-6, atol=1e-9)


def test_agreement_counts_parts_and_not_light(waves, turned):
    """What is brightest agrees wherever it is right; the rest of the patch has to as well."""
    texture, truth, point = waves(15), turned(SIZE, 0.01, -0.01, 0.01), np.array([310.0, 210.0])
    first, second = (np.maximum(one, 0) for one in (texture.seen(SIZE), 0.7 * texture.seen(SIZE, truth)))
    assert registration.agreement(first, second, truth, point, 30) > 0.95
    other = np.maximum(waves(16).seen(SIZE), 0)
    assert registration.agreement(first, other, truth, point, 30) < 0.4
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    for picture in (first, other):
        picture[np.hypot(x - 325, y - 225) < 6] = 60000
    assert registration.agreement(first, other, np.eye(3), point, 30) < 0.5
