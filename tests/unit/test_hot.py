"""Hot and dead sites: found where they stay, mended from their own colour."""

import numpy as np
import pytest

from files.photo import Mosaic
from kerbwalk import decode, hot

BAYER = np.array([[0, 1], [1, 2]])
# Fujifilm's cell of six by six, from memory.
SIX = np.array(["GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG"])
SIX = np.array([["RGB".index(c) for c in row] for row in SIX])
BLACK = 512


def shoot(waves, count, sites, moved=3.0, size=(180, 120)):
    """Photos of a moving texture with shot noise, and at each site the same too much or too little."""
    rng = np.random.default_rng(4)
    texture = waves(8, shortest=4.0)
    y, x = np.mgrid[: size[1], : size[0]].astype(float)
    for k in range(count):
        electrons = 1500 * np.exp(0.7 * texture(x + moved * k, y - 0.6 * moved * k))
        values = BLACK + rng.poisson(electrons).astype(float)
        for (column, row), more in sites.items():
            values[row, column] += more
        yield np.clip(np.rint(values), 0, 16383).astype(np.uint16)


def found(photos, pattern=BAYER):
    mosaics = [Mosaic(values, pattern, np.full(pattern.shape, BLACK)) for values in photos]
    return {tuple(site) for site in hot.sites(mosaics).tolist()}


@pytest.fixture
def sites():
    """{(x, y): what it adds}, corners and borders among them."""
    places = [(0, 0), (179, 119), (90, 0), (0, 61), (45, 118), *((7 + 13 * k, 5 + 9 * (k % 12)) for k in range(12))]
    return {place: (600 + 700 * k if k % 3 else -5000) for k, place in enumerate(places)}


@pytest.mark.parametrize(("count", "wrong"), [(6, 0.0005), (16, 0.0001)])
def test_what_stays_is_found_and_nothing_else(waves, sites, count, wrong):
    result = found(shoot(waves, count, sites))
    # a few photos of so strong a texture do not suffice to call a site dead, and may lose a hot one
    missed = {site for site, more in sites.items() if more > 0 or count > 6} - result
    assert len(missed) <= (1 if count == 6 else 0)
    assert len(result - sites.keys()) <= wrong * 180 * 120


def test_a_scene_that_does_not_move_is_not_taken_for_the_sensor(waves):
    """Lamps are seen on several sites."""
    photos = [m.copy() for m in shoot(waves, 8, {}, moved=0.0)]
    for mosaic in photos:
        mosaic[40:43, 50:53] = 12000
        mosaic[80, 20:60] = 9000
    assert len(found(photos)) == 0


@pytest.mark.parametrize("pattern", [BAYER, SIX])
def test_neighbours_are_of_the_same_colour_and_near(pattern):
    steps = hot.neighbours(pattern)
    for (y, x), colour in np.ndenumerate(pattern):
        for dy, dx in steps[y, x]:
            assert pattern[(y + dy) % len(pattern), (x + dx) % len(pattern)] == colour
            assert abs(dy) + abs(dx) > 0 and max(abs(dy), abs(dx)) <= (2 if len(pattern) == 2 else 6)
        assert (steps[y, x, :4] == -steps[y, x, 4:]).all()


@pytest.mark.parametrize("pattern", [BAYER, SIX])
def test_mending_takes_the_same_colour_and_no_other_bad_site(pattern):
    y, x = np.mgrid[:24, :24]
    levels = np.array([1000, 2000, 4000])[pattern[y % len(pattern), x % len(pattern)]].astype(np.uint16)
    mosaic = levels.copy()
    bad = [(0, 0), (5, 5), (6, 6), (7, 5), (23, 12)]
    for place in bad:
        mosaic[place[::-1]] = 16000
    hot.mend(mosaic, hot.neighbours(pattern), bad)
    np.testing.assert_array_equal(mosaic, levels)


def test_a_few_photos_are_chosen_all_over_the_shoot():
    assert sorted(hot.chosen(120))[::15] == [0, 119]
    assert len(hot.chosen(120)) == len(set(hot.chosen(120))) == hot.MOST
    assert sorted(hot.chosen(5)) == [0, 1, 2, 3, 4]
    assert hot.chosen(0) == []


def test_a_photo_is_no_dark_frame():
    """Lamps of ten sites a side show; hot sites, however bright, and a glow along an edge do not."""
    rng = np.random.default_rng(4)
    black, dark = np.full((2, 2), 512), np.rint(rng.normal(520, 4, (203, 301))).astype(np.uint16)
    dark[:, :12] += 900
    dark[rng.integers(0, 203, 400), rng.integers(0, 301, 400)] = 16383
    assert not hot.lit(dark, black, 16383)
    dark[100:115, 200:215] = 9000
    assert hot.lit(dark, black, 16383)


def test_a_dark_frame_takes_off_what_it_holds_above_black():
    mosaic, dark = np.full((4, 6), 3000, np.uint16), np.full((4, 6), 512, np.uint16)
    dark[1, 2], dark[3, 3] = 1512, 9000
    hot.subtract(mosaic, dark, np.full((2, 2), 512))
    expected = np.full((4, 6), 3000)
    expected[1, 2], expected[3, 3] = 2000, 0
    np.testing.assert_array_equal(mosaic, expected)


def test_a_dark_frame_and_the_shoot_together_leave_next_to_nothing(waves):
    """200 hot sites as strong as they come, up to such as fill the range, and a dark frame with noise of its own: none
    stands out from its neighbours of the same colour any more, as they truly are.
    """
    rng, (width, height), black = np.random.default_rng(8), (180, 120), np.full((2, 2), BLACK)
    places = rng.permutation((width - 4) * (height - 4))[:200]
    rates = np.rint(rng.lognormal(np.log(1700), 1.1, 200))
    sites = {(2 + int(p % (width - 4)), 2 + int(p // (width - 4))): more for p, more in zip(places, rates, strict=True)}
    clean, photos = (list(shoot(waves, 8, more)) for more in ({}, sites))
    dark = BLACK + rng.normal(0, 2, (height, width))
    for (x, y), rate in sites.items():
        dark[y, x] += rate
    dark = np.clip(np.rint(dark), 0, 16383).astype(np.uint16)
    most = max(photo.max() for photo in photos)
    for photo in photos:
        hot.subtract(photo, dark, black)
    wrong = sorted({*found(photos), *map(tuple, hot.glaring(dark, black, most).tolist())})
    kept, steps = [], hot.neighbours(BAYER)
    for mosaic, true in zip(photos, clean, strict=True):
        hot.mend(mosaic, steps, wrong)
        for x, y in sites:
            around = [int(true[y + dy, x + dx]) for dy, dx in (*steps[y % 2, x % 2], (0, 0))]
            room = 4 * np.sqrt(max(around))
            kept.append(min(around) - room <= mosaic[y, x] <= max(around) + room)
    assert max(rates) > 16383 - BLACK, "some are cut off"
    assert np.mean(kept) >= 0.995
    assert len(set(wrong) - sites.keys()) < 1e-3 * width * height


def test_channels_with_a_white_of_their_own_are_stretched_to_one():
    values = np.tile(np.array([[12512, 10512], [10512, 8512]], np.uint16), (2, 3))
    mosaic = Mosaic(values, BAYER, np.full((2, 2), 512))
    decode.to_one_white(mosaic, decode.white_levels(BAYER, [12512, 10512, 8512], 12512), 12512)
    assert (values == 12512).all()


@pytest.mark.parametrize("whites", [None, [100, 12512, 12512]])
def test_white_levels_that_are_missing_or_cannot_be_are_not_believed(whites):
    assert (decode.white_levels(BAYER, whites, 12512) == 12512).all()
