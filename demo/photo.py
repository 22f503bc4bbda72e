"""One photo: the town, what passes through it while the shutter is open, the lens's glare and the sensor."""

import numpy as np

from demo import camera, render, town, walk
from demo.camera import lamp_rgb
from demo.walk import ShootSpec

BLACK, WHITE = 512, 16383  # sensor levels
FULL_WELL, READ_NOISE = 30_000, 3.2  # electrons; noise of a pixel: shot noise (Gaussian) and read noise
NEUTRAL_KELVIN = 3800
TURNS = {1: 0, 3: 2, 6: 1, 8: 3}  # EXIF orientation: quarter turns, anticlockwise, from upright to sensor
BAND = 256  # rows rendered at a time; bounds the memory


def photograph(spec: ShootSpec, index: int) -> np.ndarray:
    """Photo `index` as the sensor gives it: (rows, columns) uint16, RGGB, lying as spec.orientation says."""
    light = _light(spec, index)
    sensor = np.ascontiguousarray(np.rot90(light, TURNS[spec.orientation]))
    sites, rates = hot_pixels(spec)
    sensor[sites[:, 1], sites[:, 0]] += rates * 2 ** walk.exposure_stops(spec, index)
    rng = walk.random(spec, 5, index)
    levels = np.empty(sensor.shape, np.uint16)
    for top in range(0, len(sensor), BAND):
        electrons = sensor[top : top + BAND] * np.float32(FULL_WELL)
        noise = rng.standard_normal(electrons.shape, dtype=np.float32)
        electrons += noise * np.sqrt(electrons + np.float32(READ_NOISE**2))
        levels[top : top + BAND] = np.clip(
            np.rint(BLACK + electrons * np.float32((WHITE - BLACK) / FULL_WELL)), 0, WHITE
        )
    return levels


def hot_pixels(spec: ShootSpec) -> tuple[np.ndarray, np.ndarray]:
    """(sites (n, 2) x, y on the sensor, (n,) what they add at the first exposure, fractions of the range)."""
    rng = walk.random(spec, 6)
    width, height = spec.size if TURNS[spec.orientation] % 2 == 0 else spec.size[::-1]
    chosen = rng.choice(width * height, spec.hot_pixels, replace=False)
    return np.column_stack([chosen % width, chosen // width]), rng.lognormal(-2.2, 1.1, spec.hot_pixels)


def _light(spec: ShootSpec, index: int) -> np.ndarray:
    """(H, W) float32, upright: each pixel's own colour of light, 1 where it fills the pixel."""
    room = camera.room(spec.lens, spec.size)
    width, height = (side + 2 * room for side in spec.size)
    place, K, (R, t) = walk.town_of(spec), walk.lens(spec), walk.pose(spec, index)
    K[:2, 2] += room
    scene = place.scene
    stops = walk.exposure_stops(spec, index) + walk.light_stops(spec, index)
    weights = camera.rgb_to_sensor(NEUTRAL_KELVIN) * walk.gain(spec, index) * 2**stops
    pattern = np.rot90(np.array([[0, 1], [1, 2]]), -TURNS[spec.orientation])
    maps, boxes = render.view(scene.origin, scene.u, scene.v, K, R, t)
    figures = _figures(spec, index, place, K, R, t, weights) if spec.walkers else []
    trails, passing = _traffic(spec, index, place) if spec.lights else ([], np.zeros((0, 6)))
    if spec.beat_sigma:
        colour = 9 * walk.beat(spec, index) * lamp_rgb(3000)
        passing = np.vstack([passing, [*walk.beating_lamp(spec), *colour]])
    lamps = camera.project(K, R, t, scene.lamps[:, :3])
    shown = render.visible(lamps, maps, boxes)
    light = np.empty((height, width), np.float32)
    for top in range(0, height, BAND):
        band = light[top : top + BAND]
        near, faces = np.empty_like(band), np.empty(band.shape, np.int32)
        render.cast(top, maps, boxes, scene, passing, weights, pattern, band, near, faces)
        for matrix, box, smear, colour in figures:
            render.add_figure(top, band, near, matrix, box, smear, 0.95, colour, pattern)
        for ends, radius, colour in trails:
            seen = camera.project(K, R, t, ends)
            if seen[:, 2].min() > 1:
                render.add_trail(top, band, near, seen, radius * K[0, 0], weights @ colour, pattern)
        for (x, y, depth), (*_, red, green, blue, radius) in zip(lamps[shown], scene.lamps[shown], strict=True):
            size = max(radius * K[0, 0] / depth, 0.5)
            colour = weights @ np.array([red, green, blue])
            render.add_glow(top, band, x, y, 1.6 * size, 30 * size, 0.6 * colour, pattern)
    return camera.through_lens(light, spec.lens, pattern, room) if spec.lens else light


def _figures(spec: ShootSpec, index: int, place: town.Town, K, R, t, weights) -> list[tuple]:
    """Walkers of a photo, farthest first: what render.add_figure wants to know of each."""
    x0, x1, y0, y1 = place.walkers
    crowd = []
    groups = walk.random(spec, 8)
    for _ in range(9):  # people who stand about for some photos
        spot = groups.uniform([x0, y0], [x1, y1])
        first, length = groups.uniform(-10, spec.frames), groups.uniform(5, 18)
        shades = groups.uniform(0.008, 0.04, (3, 1)) * groups.uniform(0.75, 1.25, (3, 3))
        if first <= index < first + length:
            rng = walk.random(spec, 9, index)
            for shade in shades[: int(groups.integers(1, 4))]:
                crowd.append((spot + rng.normal(0, 0.45, 2), rng.uniform(0.06, 0.3), shade))
    rng = walk.random(spec, 10, index)
    for _ in range(rng.poisson(8)):  # people who walk past
        crowd.append(
            (
                rng.uniform([x0, y0], [x1, y1]),
                rng.uniform(0.5, 3.3),
                rng.uniform(0.008, 0.05) * rng.uniform(0.75, 1.25, 3),
            )
        )
    eye = -R.T @ t
    side = np.array([R[0, 0], R[0, 1], 0]) / np.hypot(R[0, 0], R[0, 1])
    figures = []
    for (x, y), smear, shade in sorted(crowd, key=lambda walker: -walker[0][1]):
        foot = np.array([x, y, place.ground(y)])
        if np.hypot(*(foot - eye)[:2]) > 5:
            face = (foot - 2 * side)[None], 4 * side[None], 2 * town.UP[None]
            (matrix,), (box,) = render.view(*face, K, R, t)
            figures.append((matrix, box, smear, weights @ (shade * lamp_rgb(3200))))
    return figures


def _traffic(spec: ShootSpec, index: int, place: town.Town) -> tuple[list[tuple], np.ndarray]:
    """Cars and a bus: tracks (ends (2, 3), radius in metres, colour) and the lights of the bus (k, 6)."""
    rng = walk.random(spec, 11, index)
    trails, passing = [], []
    near_lane, far_lane, ground = place.road
    for _ in range(rng.poisson(0.7)):
        away = rng.random() < 0.5
        y, start = (near_lane if away else far_lane), rng.uniform(-45, 30)
        colour = np.array([0.9, 0.035, 0.012]) if rng.random() < 0.5 else 1.1 * lamp_rgb(rng.uniform(3000, 5500))
        for across in (-0.65, 0.65):
            ends = np.array(
                [[start, y + across, ground + 0.66], [start + rng.uniform(14, 40), y + across, ground + 0.66]]
            )
            trails.append((ends, 0.07, colour))
    first, last = walk.bus_passes(spec)
    if first <= index < last:
        x = -20 + 36 * (index - first) / (last - first)
        for step in (0, 2.5, 5):
            passing.append([x + step, near_lane, ground + 1.4, *(7 * lamp_rgb(3800))])
        ends = np.array([[x, near_lane, ground + 1.9], [x + 7, near_lane, ground + 1.9]])
        trails.append((ends, 0.34, 0.16 * lamp_rgb(4000)))
        trails.append((ends + np.array([0, -0.6, -1.2]), 0.09, 0.8 * lamp_rgb(3600)))
    return trails, np.array(passing).reshape(-1, 6)
