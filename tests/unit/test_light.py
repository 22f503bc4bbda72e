"""Ratios of what corresponds, and levels solved from all of them together."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerbwalk import light
from kerbwalk.homography import transfer

SIZE = (400, 266)
BLOCKS = (SIZE[1] // light.BLOCK, SIZE[0] // light.BLOCK)


def radius(shape=BLOCKS):
    """How far each block is from the picture's middle, 1 in the corner."""
    y, x = np.indices(shape) * light.BLOCK + (light.BLOCK - 1) / 2
    corner = (np.array(SIZE) - 1) / 2
    return np.hypot(x - corner[0], y - corner[1]) / np.hypot(*corner)


def pixel_radius():
    y, x = np.indices(SIZE[::-1])
    corner = (np.array(SIZE) - 1) / 2
    return np.hypot(x - corner[0], y - corner[1]) / np.hypot(*corner)


@pytest.fixture(scope="module")
def scene(waves):
    """A night street of the known texture, float32: levels from 1 % to 30 % of white; matrix as for Waves.seen."""
    texture = waves(41, 8, 80)
    return lambda matrix=None: (600 * np.exp(texture.seen(SIZE, matrix, level=1.6, contrast=0.7))).astype(np.float32)


def framed(grey, rng=None, colours=(1.0, 1.0, 1.0), covered=None):
    """A Frame of a grey picture in which red, green and blue may be unlike; with the photon noise of 30,000 electrons
    at white, averaged over the 40 or so pixels behind one of the proxy, where rng is given.
    """
    if rng:
        grey = grey + rng.normal(size=grey.shape) * np.sqrt(grey * light.WHITE / 30000 / 40)
    clipped = np.zeros(grey.shape) if covered is None else covered
    return light.frame(np.float32(np.dstack([*(grey * colour for colour in colours), clipped])), radius())


def ratio(first, second, *known):
    return light.ratio(first, second, light.compared(first.grey, second.grey, light.flow(first, second)), *known)


@pytest.mark.parametrize("gain", [0.5, 0.94, 1.0, 1.07, 1.9])
def test_ratio(scene, gain):
    rng = np.random.default_rng(1)
    found = ratio(framed(scene(), rng), framed(scene() * gain, rng))
    assert found.model[0] == pytest.approx(np.log(gain), abs=1e-3)
    assert found.pixels > 0.8 * np.prod(SIZE)
    # its own word on how sure it is holds
    assert abs(found.model[0] - np.log(gain)) < 4 * found.information[0, 0] ** -0.5 < 0.01


@pytest.mark.parametrize("share", [0.2, 0.35])
@pytest.mark.parametrize("change", [0.2, 1.5, 4.0])
def test_ratio_with_a_bus_that_lights_or_covers_part_of_the_picture(scene, share, change):
    rng = np.random.default_rng(2)
    second = scene() * 1.05
    second[:, : int(share * SIZE[0])] *= change
    found = ratio(framed(scene(), rng), framed(second, rng))
    assert found.model[0] == pytest.approx(np.log(1.05), abs=2e-3)


def test_the_parts_of_a_picture(scene):
    """Each says what happened there, whatever the ratio is; of one that is covered nothing is known."""
    second = scene() * 1.05
    second[:, SIZE[0] // 2 :] *= 1.03
    covered = np.zeros(SIZE[::-1], bool)
    covered[:80, :80] = True
    parts = ratio(framed(scene(), covered=covered), framed(second)).parts
    assert np.isnan(parts[0, 0])
    for some, gain in ((parts[2:-1, :4], 1.05), (parts[2:-1, 5:-1], 1.05 * 1.03)):
        np.testing.assert_allclose(some, np.log(gain), atol=2e-3)


def test_ratio_with_light_that_fades_away(scene):
    """From a bus at one side, down to nothing in the middle: there is no edge between what it lights and what not."""
    rng = np.random.default_rng(3)
    bus = 3 * np.exp(-np.arange(SIZE[0]) / 25)
    found = ratio(framed(scene(), rng), framed(0.97 * scene() * (1 + bus), rng))
    assert found.model[0] == pytest.approx(np.log(0.97), abs=3e-3)


@pytest.mark.parametrize("turn", [1, -1])
def test_the_ratio_of_what_a_bus_lights_nearly_all_of(scene, turn):
    """By light that is nowhere the same; a sixth of the picture, as sky and windows, it does not reach."""
    rng = np.random.default_rng(9)
    bus = 0.04 + 0.25 * np.linspace(0, 1, SIZE[0]) ** 2
    bus[: SIZE[0] // 6] = 0
    pair = [framed(scene(), rng), framed(1.03 * scene() * (1 + bus), rng)][::turn]
    assert ratio(*pair).model[0] == pytest.approx(turn * np.log(1.03), abs=3e-3)


@pytest.mark.parametrize("turn", [1, -1])
def test_the_ratio_of_what_strong_light_reaches(scene, turn):
    """A lamp that goes out in a dark lane: a fifth, as sky and windows, stays, a wall that it lit is alike,
    and much loses up to a third."""
    rng = np.random.default_rng(13)
    lamp = np.concatenate([np.zeros(80), np.linspace(0.24, 0.26, 60), np.linspace(0.1, 0.6, SIZE[0] - 140)])
    pair = [framed(scene(), rng), framed(1.03 * scene() * (1 + lamp), rng)][::turn]
    assert ratio(*pair).model[0] == pytest.approx(turn * np.log(1.03), abs=3e-3)


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize(("share", "added"), [(0.7, 0.03), (0.85, 0.1)])
def test_the_ratio_of_what_faint_light_fades_away_over(scene, share, added, turn):
    """Down to nothing, so slowly that what it lights by a little agrees as well as what it does not; a car's trail,
    which is brighter than all, is in the other photo.
    """
    rng = np.random.default_rng(12)
    trail = np.ones((SIZE[1], 1))
    trail[180:212] = 2
    fading = 1 + added * np.clip(np.linspace(1 - 1 / share, 1, SIZE[0]), 0, 1)
    pair = [framed(scene() * trail, rng), framed(1.03 * scene() * fading, rng)][::turn]
    assert ratio(*pair).model[0] == pytest.approx(turn * np.log(1.03), abs=2e-3)


@pytest.mark.parametrize(("added", "soft"), [(0.05, 1), (0.3, 1), (4.0, 1), (0.3, 80), (1.0, 80)])
def test_a_bus_that_crosses_the_picture_is_no_gain(scene, added, soft):
    """It lights a third of each of six photos, another third in each, so that in most pairs hardly a third is alike."""
    rng = np.random.default_rng(8)
    truth = rng.normal(0, 0.06, 20)
    frames = []
    for k, gain in enumerate(np.exp(truth)):
        lit = np.ones(SIZE[0])
        if 7 <= k < 13:
            lit[int((k - 7) * 0.13 * SIZE[0]) :][: SIZE[0] // 3] += added
            border = np.hanning(soft + 2) / np.hanning(soft + 2).sum()
            lit = np.convolve(np.pad(lit, soft, "edge"), border, "same")[soft:-soft]
        frames.append(framed(gain * scene() * lit, rng))
    ratios = {(i, i + 1): ratio(frames[i], frames[i + 1]) for i in range(19)}
    alone, _ = light.solve(20, ratios)
    for steps in light.LONG:
        every = max(steps // light.OVERLAP, 1)
        pairs = zip(range(0, 20, every), range(steps, 20, every), strict=False)
        far = {(i, j): ratio(frames[i], frames[j], 0.0, alone[j] - alone[i]) for i, j in pairs}
        ratios |= light.doubted({pair: one for pair, one in far.items() if one}, alone)
    found, _ = light.solve(20, ratios)
    assert np.abs(found - (truth - truth.mean())).max() < 3e-3


@pytest.mark.parametrize("place", [0.25, 0.42, 0.58])
def test_a_bus_that_has_moved_on_is_no_gain(scene, place):
    """It softly lights a part of one photo, and next what lies beside that: a crest grows darker, and one brighter."""
    rng = np.random.default_rng(10)
    away = np.abs(np.arange(SIZE[0]) / SIZE[0] - np.array([[place], [place + 1 / 6]]))
    one, other = 1 + 0.05 * np.cos(np.clip((away - 1 / 60) / 0.3, 0, 1) * np.pi / 2) ** 2
    found = ratio(framed(scene() * one, rng), framed(1.04 * scene() * other, rng))
    assert found.model[0] == pytest.approx(np.log(1.04), abs=3e-3)


@pytest.mark.parametrize(
    "matrix", [np.array([[1, 0, 0.3], [0, 1, -0.2], [0, 0, 1]]), np.array([[1.01, 0, -3], [0, 1.01, -1], [0, 0, 1]])]
)
def test_ratio_of_pictures_that_moved(scene, matrix):
    """What the walk moved, a third of a pixel or some, is laid on each other by its flow."""
    found = ratio(framed(scene()), framed(0.97 * scene(matrix)))
    assert found.model[0] == pytest.approx(np.log(0.97), abs=3e-3)


def test_the_smallest_pictures_have_a_flow():
    tiny = [light.Frame(None, None, np.full((9, 10), level, np.float32), None, None) for level in (6.6, 6.9)]
    np.testing.assert_allclose(light.spread(light.flow(*tiny), 9, 10), np.zeros((9, 10, 2)), atol=0.1)


def test_flows_of_steps_make_the_flow_of_the_way(scene):
    """As the walk comes nearer by 3 % a step; what comes in at the border aside."""
    walk = np.array([[1.03, 0, -9], [0, 1.03, -4], [0, 0, 1]])
    frames = [framed(scene(np.linalg.matrix_power(walk, k))) for k in range(5)]
    flows = [light.flow(*pair) for pair in itertools.pairwise(frames)]
    for steps in (2, 4):
        flows = [light.led(*pair) for pair in zip(flows, flows[steps // 2 :], strict=False)]
    height, width = SIZE[1] // light.HALF, SIZE[0] // light.HALF
    y, x = light.HALF * np.indices((height, width)) + 0.5
    places = np.column_stack([x.ravel(), y.ravel()])
    true = (transfer(np.linalg.matrix_power(walk, 4), places) - places).reshape(height, width, 2)
    flow = light.HALF * light.spread(flows[0], height, width, light.HALF)
    off = np.linalg.norm(flow - true, axis=2)[20:-20, 20:-20]
    assert np.median(off) < 0.12 and np.quantile(off, 0.95) < 0.35


def test_ratio_of_streets_whose_near_parts_move_more(scene):
    """Posts before the wall go by five pixels, the wall by one: their borders are as fine as its pattern."""
    near, far = (np.array([[1, 0, shift], [0, 1, 0], [0, 0, 1]]) for shift in (-5, -1))
    x = np.arange(SIZE[0])

    def street(posts, wall, moved):
        return np.where((x - moved) % 50 < 18, 1.8 * scene(posts)[::-1], scene(wall))

    found = ratio(framed(street(np.eye(3), np.eye(3), 0)), framed(0.97 * street(near, far, -5)))
    assert found.model[0] == pytest.approx(np.log(0.97), abs=3e-3)


def test_ratio_of_colours(scene):
    rng = np.random.default_rng(4)
    found = ratio(framed(scene(), rng), framed(scene(), rng, colours=(1.03, 1.0, 0.98)))
    np.testing.assert_allclose(found.colour, np.log([1.03, 0.98]), atol=2e-3)


def test_nothing_corresponds(scene):
    everywhere = np.ones(SIZE[::-1])
    assert ratio(framed(scene(), covered=everywhere), framed(scene())) is None
    dark = np.full(SIZE[::-1], 50.0)
    assert ratio(framed(dark), framed(dark)) is None


def test_usable_keeps_away_from_clipping():
    laid = np.zeros((20, 30, 4), np.float32)
    laid[..., :3] = 1000
    laid[10, 15, 3] = 0.05
    ok = light.usable(laid)
    bad = np.argwhere(~ok)
    assert len(bad) == 9 and (np.abs(bad - [10, 15]) <= 1).all()
    laid[..., 2] = 60000
    assert not light.usable(laid).any()


def links(levels, steps=(1, 2, 3, 5, 8), sigma=1e-3):
    information = np.diag([1 / sigma**2, 1e2, 1e6])
    return {
        (i, i + s): light.Ratio(np.array([levels[i + s] - levels[i], 0.0, 0.0]), information)
        for s in steps
        for i in range(len(levels) - s)
    }


def test_vignetting_of_long_links():
    """Single steps, which hardly move the picture, err together, and some links are wrong; there may be none."""
    rng = np.random.default_rng(6)
    ratios = links(np.zeros(40), steps=(1, 2, 4, 8))
    for (i, j), one in ratios.items():
        one.model[1] = rng.normal(0.3, 0.1) if j - i > 2 else 0.0
    for pair in list(ratios)[::9]:
        ratios[pair].model[1] += 2
    found, sigma = light.vignetting(ratios)
    assert abs(found - 0.3) < 2 * sigma < 0.2
    assert light.vignetting(links(np.zeros(40), steps=(1, 2))) is None


@given(st.integers(2, 40), st.integers(0, 10))
def test_levels_of_links_that_agree(count, seed):
    truth = np.random.default_rng(seed).normal(0, 0.1, count)
    found, sigmas = light.solve(count, links(truth))
    np.testing.assert_allclose(found, truth - truth.mean(), atol=1e-6)
    assert (sigmas > 0).all()
    plain = light.levels(count, {pair: r.model[0] for pair, r in links(truth).items()})
    np.testing.assert_allclose(plain, truth - truth.mean(), atol=1e-6)


def test_levels_leave_out_links_that_do_not_agree():
    truth = np.random.default_rng(5).normal(0, 0.06, 60)
    ratios = links(truth)
    for pair in list(ratios)[::9]:
        ratios[pair].model[0] += 0.3
    found, _ = light.solve(60, ratios)
    assert np.abs(found - (truth - truth.mean())).max() < 0.005
    plain = light.levels(60, {pair: r.model[0] for pair, r in ratios.items()})
    assert np.abs(plain - (truth - truth.mean())).max() < 0.005


def test_levels_of_photos_without_links():
    truth = np.array([0.1, -0.1, 0.3, 0.0])
    found, sigmas = light.solve(5, links(truth))
    assert np.isnan(found[4]) and np.isnan(sigmas[4])
    assert np.isnan(light.solve(3, {})[0]).all()
    assert np.isnan(light.levels(5, {(0, 1): 0.2})[2:]).all()


def test_a_lens_that_darkens_its_corners_is_no_gain(scene):
    """The walk moves the scene over a lens with a stop of vignetting, which also differs from photo to photo: that
    leaves less than 0.1 % of gain."""
    rng = np.random.default_rng(6)
    truth, breathing = rng.normal(0, 0.06, 12), rng.normal(0, 0.01, 12)
    frames = []
    for k in range(12):
        size = 1 + 0.01 * k
        matrix = np.array([[size, 0, 200 * (1 - size)], [0, size, 110 * (1 - size)], [0, 0, 1]])
        shade = np.exp(truth[k] - (0.7 + breathing[k]) * pixel_radius() ** 2)
        frames.append(framed(scene(matrix) * shade, rng))
    single = {(k - 1, k): ratio(frames[k - 1], frames[k]) for k in range(1, 12)}
    far = {(k - 6, k): ratio(frames[k - 6], frames[k], 0.7) for k in range(6, 12)}
    found, _ = light.solve(12, single | light.doubted(far, light.solve(12, single)[0]))
    error = found - (truth - truth.mean())
    assert np.std(error - np.polyval(np.polyfit(range(12), error, 2), range(12))) < 1e-3


def test_long_links_are_trusted_as_far_as_they_agree():
    """Those that stray do not disturb what single steps say; those that agree take out what these add up to."""
    rng = np.random.default_rng(7)
    truth = rng.normal(0, 0.06, 60)
    single = links(truth + 0.0005 * np.arange(60), steps=(1,), sigma=3e-4)
    alone, _ = light.solve(60, single)
    for noise, rough, even in ((2e-2, 3e-4, None), (0, 1e-4, 5e-3)):
        far = links(truth, steps=(8,), sigma=6e-4)
        for ratio in far.values():
            ratio.model[0] += rng.normal(0, noise)
        found, _ = light.solve(60, single | light.doubted(far, alone))
        error = found - (truth - truth.mean())
        assert np.std(np.diff(error, 2)) / np.sqrt(6) < rough
        assert even is None or np.ptp(error) < even < np.ptp(alone - truth)


def test_single_and_double_links_share_what_they_disagree_by():
    """Both are wrong by more than they say, and none by more than the other; where they agree they stay as sure."""
    rng = np.random.default_rng(11)
    truth = rng.normal(0, 0.06, 200)
    single, double = (links(truth, steps=(step,), sigma=6e-4) for step in (1, 2))
    alike = light.shared(single, double, truth)
    np.testing.assert_allclose(alike[3, 4].information, single[3, 4].information)
    for ratio in (*single.values(), *double.values()):
        ratio.model[0] += rng.normal(0, 5e-3)
    alone = light.solve(200, single)[0]
    together = light.shared(single, double, alone)
    for pair in ((3, 4), (3, 5)):
        assert together[pair].information[0, 0] == pytest.approx(1 / 5e-3**2, rel=0.3)
    rough = [np.std(np.diff(found - truth)) for found in (alone, light.solve(200, together)[0])]
    assert rough[1] < 0.85 * rough[0]
    assert light.shared({(0, 1): single[0, 1]}, {}, truth) == {(0, 1): single[0, 1]}
