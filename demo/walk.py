"""What a shoot is to be, and where the camera stood and how bright the light was at each photo."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from demo import camera
from demo.places import build
from demo.town import Town, load

_towns: dict[tuple, Town] = {}


@dataclass(frozen=True)
class ShootSpec:
    """What to photograph; everything random follows from `seed` and the number of the photo.

    size: (W, H) of the upright picture, both even.
    place: square, stairs or mill.
    walk: approach, sidestep or arc (about the hold point), in steps of step_m metres; shorter steps where the
        walk would become longer than longest_m.
    hold_at: where the hold point is aimed to lie, fractions of the picture.
    *_sigma*: standard deviations, independent for each photo; gain_sigma is of the logarithm.
    bumped: photos (counted from 0) whose aim is off by bump_deg.
    walkers, lights: people; cars and a bus.
    dusk_stops: how much darker the light is at the last photo than at the first.
    exposure_changes: (photo, stops against the first photo) from that photo on, by the shutter, told in EXIF.
    told_changes: what EXIF tells instead, of a shutter that is not true to its name.
    beat_sigma: of the logarithm, of a lamp beside the clock that flickers by itself; 0 for no such lamp.
    orientation: how the sensor lay, EXIF 1, 3, 6 or 8.
    card: whether a plain grey board stands before the hall of the square.
    lens: what the lens does, (distortion, lateral of red, of blue, vignetting) as in demo/camera.py; () for nothing.
    film_mm: focal length, 35 mm equivalent by the diagonal.
    """

    name: str = "walk"
    size: tuple[int, int] = (900, 600)
    frames: int = 12
    seed: int = 1
    place: str = "square"
    walk: str = "approach"
    step_m: float = 0.25
    longest_m: float = 15.0
    hold_at: tuple[float, float] = (0.5, 0.42)
    aim_sigma_deg: float = 0.15
    roll_sigma_deg: float = 0.2
    place_sigma_m: float = 0.012
    gain_sigma: float = 0.06
    bumped: tuple[int, ...] = ()
    bump_deg: float = 3.0
    walkers: bool = True
    lights: bool = True
    hot_pixels: int = 200
    dusk_stops: float = 0.0
    exposure_changes: tuple[tuple[int, float], ...] = ()
    told_changes: tuple[tuple[int, float], ...] = ()
    beat_sigma: float = 0.0
    orientation: int = 1
    card: bool = False
    lens: tuple[tuple[float, ...], ...] = ()
    film_mm: int = 27


def random(spec: ShootSpec, purpose: int, index: int = 0) -> np.random.Generator:
    """The random numbers of one purpose and photo: the same in whatever order and process photos are made."""
    return np.random.default_rng([spec.seed, purpose, index])


def lens(spec: ShootSpec) -> np.ndarray:
    """K, (3, 3), pixels."""
    return camera.intrinsics(spec.size, spec.film_mm)


def town_of(spec: ShootSpec) -> Town:
    """The place, painted finely enough for this size; the latest is remembered."""
    key = _town_key(spec)
    if key not in _towns:
        _towns.clear()
        _towns[key] = build(*key)
    return _towns[key]


def use_town(spec: ShootSpec, folder: Path) -> None:
    """Take the town from where another process has saved it instead of building it again."""
    _towns[_town_key(spec)] = load(folder)


def _town_key(spec: ShootSpec) -> tuple[str, float, int, bool]:
    return spec.place, float(lens(spec)[0, 0]), spec.seed, spec.card


def pose(spec: ShootSpec, index: int) -> tuple[np.ndarray, np.ndarray]:
    """(R, t) of photo `index`: world to camera, metres."""
    town, K, rng = town_of(spec), lens(spec), random(spec, 3, index)
    step = min(spec.step_m, spec.longest_m / max(spec.frames - 1, 1))
    along = (index - (spec.frames - 1) / 2) * step
    place = town.stand.copy()
    if spec.walk == "approach":
        place[1] += along
    elif spec.walk == "sidestep":
        place[0] += along
    elif spec.walk == "arc":
        away = place - town.hold
        radius = np.hypot(away[0], away[1])
        angle = np.arctan2(away[0], -away[1]) + along / radius
        place[:2] = town.hold[:2] + radius * np.array([np.sin(angle), -np.cos(angle)])
    else:
        raise ValueError(f"walk: expected approach, sidestep or arc, got {spec.walk!r}")
    place += rng.normal(0, spec.place_sigma_m, 3)
    pixel = np.array(spec.hold_at) * spec.size - 0.5
    yaw, pitch = np.radians(rng.normal(0, spec.aim_sigma_deg, 2))
    roll = np.radians(rng.normal(0, spec.roll_sigma_deg))
    if index in spec.bumped:
        direction = rng.uniform(0, 2 * np.pi)
        yaw += np.radians(spec.bump_deg) * np.cos(direction)
        pitch += np.radians(spec.bump_deg) * np.sin(direction)
    R = camera.turn(yaw, pitch, roll) @ camera.aim(place, town.hold, K, pixel)
    return R, -R @ place


def gain(spec: ShootSpec, index: int) -> float:
    """Flicker of photo `index`: a factor about 1."""
    return float(np.exp(random(spec, 4, index).normal(0, spec.gain_sigma)))


def beat(spec: ShootSpec, index: int) -> float:
    """Light of the lamp that flickers by itself: a factor about 1."""
    return float(np.exp(random(spec, 12, index).normal(0, spec.beat_sigma)))


def beating_lamp(spec: ShootSpec) -> np.ndarray:
    """(3,) its place, metres: before the wall to the right of the hold point."""
    return town_of(spec).hold + np.array([5.0, -1.5, -1.0])


def bus_passes(spec: ShootSpec) -> tuple[float, float]:
    """From which photo on, and to which, a bus crawls past and lights most of what stands there."""
    return (0.30 * spec.frames, 0.42 * spec.frames) if spec.lights else (0.0, 0.0)


def told_stops(spec: ShootSpec, index: int) -> float:
    """Exposure as EXIF tells it, against the first photo, stops."""
    return _latest(spec.told_changes or spec.exposure_changes, index)


def exposure_stops(spec: ShootSpec, index: int) -> float:
    """Exposure setting against the first photo, stops."""
    return _latest(spec.exposure_changes, index)


def _latest(changes: tuple[tuple[int, float], ...], index: int) -> float:
    stops = 0.0
    for first, value in sorted(changes):
        if index >= first:
            stops = value
    return stops


def light_stops(spec: ShootSpec, index: int) -> float:
    """Slow change of the light since the first photo, stops: level at both ends, steepest in the middle."""
    part = index / max(spec.frames - 1, 1)
    return -spec.dusk_stops * part * part * (3 - 2 * part)
