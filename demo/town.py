"""Builds a place out of painted surfaces, lights it and packs it for the ray caster.

World axes and units as in demo/camera.py. Every surface is a parallelogram with its visible side where
U x V points; lamps light every surface once, when the place is built, and throw no shadows.
"""

import pickle
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from demo import paint
from demo.camera import lamp_rgb
from demo.paint import Canvas
from demo.render import Scene, pyramid

UP = np.array([0.0, 0.0, 1.0])
SKY_LIGHT = np.array([0.013, 0.012, 0.013])  # what reaches every surface from the glow over the town
DIMMEST = 0.0002  # lamp light that stays below this, against full exposure, is left out


@dataclass(frozen=True)
class Town:
    """A scene, the point to aim at, the middle of the photographer's walk, and where people and cars move."""

    scene: Scene
    hold: np.ndarray  # (3,) metres
    stand: np.ndarray  # (3,) metres, at eye height
    road: tuple[float, float, float]  # y of two lanes and the height of the road, metres
    walkers: tuple[float, float, float, float]  # x0, x1, y0, y1 of where people walk
    slope: tuple[float, float, float]  # the ground there is level up to y0, rises to y1, and is then z1 high

    def ground(self, y: float) -> float:
        """Height of the ground where people walk, metres."""
        y0, y1, z1 = self.slope
        return z1 * float(np.clip((y - y0) / (y1 - y0), 0, 1))


@dataclass(frozen=True)
class _Lamp:
    place: np.ndarray
    colour: np.ndarray
    power: float
    head: float  # radius of the bright head, metres; 0: no head, no glare


class Builder:
    """Collects faces and lamps; `bake` lights the faces and packs them."""

    def __init__(self, focal: float, rng: np.random.Generator):
        self.focal, self.rng = focal, rng
        self.faces: list[tuple[np.ndarray, np.ndarray, np.ndarray, Canvas, str | None]] = []
        self.lamps: list[_Lamp] = []
        self.grounds: list[int] = []  # faces that show the shade under things
        self.shades: list[tuple[float, ...]] = []  # x0, x1, y0, y1, z of what stands on the ground

    def density(self, distance: float, limit: float = 64) -> float:
        """Texels a metre that a wall at `distance` metres needs in this camera."""
        return float(np.clip(1.25 * self.focal / distance, 6, limit))

    def canvas(self, width, height, distance, colour, rough=0.12) -> Canvas:
        return Canvas(width, height, self.density(distance), colour, self.rng, rough)

    def face(self, origin, u, v, canvas: Canvas, detail: str | None = None):
        self.faces.append((*(np.asarray(a, float) for a in (origin, u, v)), canvas, detail))

    def wall(self, start, end, low, high, distance, colour, detail, draw=None, limit=64):
        """An upright face from `start` to `end` (x, y), seen with the start on the left."""
        start, end = np.array([*start, low], float), np.array([*end, low], float)
        size = np.linalg.norm(end - start), high - low
        canvas = Canvas(*size, self.density(distance, limit), colour, self.rng)
        if draw:
            draw(canvas)
        self.face(start, end - start, (high - low) * UP, canvas, detail)

    def block(self, x0, x1, y0, y1, z0, z1, distance, colour, detail=None, glow=None):
        """A box: the sides that can face a walker who comes from low y, and the top."""
        self.shades.append((x0, x1, y0, y1, z0))
        sides = [((x0, y0), (x1, y0)), ((x1, y0), (x1, y1)), ((x0, y1), (x0, y0))]
        for start, end in sides:
            self.wall(start, end, z0, z1, distance, colour, detail, _fill(glow))
        top = self.canvas(x1 - x0, y1 - y0, distance, colour)
        self.face((x0, y0, z1), (x1 - x0, 0, 0), (0, y1 - y0, 0), top, detail)

    def post(self, x, y, z0, z1, radius, distance, colour, sides=6, draw=None, glow=None):
        """An upright prism with a lid."""
        self.shades.append((x - radius, x + radius, y - radius, y + radius, z0))
        turns = np.arange(sides + 1) * 2 * np.pi / sides
        ring = np.column_stack([x + radius * np.sin(turns), y - radius * np.cos(turns)])
        for start, end in pairwise(ring):
            self.wall(start, end, z0, z1, distance, colour, None, draw or _fill(glow))
        lid = self.canvas(2 * radius, 2 * radius, distance, colour)
        r = 0.7 * radius
        self.face((x - r, y - r, z1), (2 * r, 0, 0), (0, 2 * r, 0), lid)

    def lamp(self, place, kelvin: float, power: float, head: float = 0.0):
        self.lamps.append(_Lamp(np.asarray(place, float), lamp_rgb(kelvin), power, head))

    def street_lamp(self, x, y, ground, height, kelvin, power, distance):
        """A post with a bright head under a hood."""
        metal = (0.05, 0.06, 0.06)
        self.post(x, y, ground, ground + 0.5, 0.11, distance, metal)
        self.post(x, y, ground + 0.5, ground + height, 0.055, distance, metal)
        top = ground + height
        bright = lamp_rgb(kelvin) * 26
        self.post(x, y, top - 0.42, top - 0.08, 0.15, distance, (0.5, 0.5, 0.5), 8, glow=bright)
        self.post(x, y, top - 0.08, top + 0.02, 0.22, distance, metal, 8)
        self.lamp((x, y, top - 0.25), kelvin, power, head=0.15)

    def bake(self) -> Scene:
        """Light every face and pack the scene."""
        for index in self.grounds:
            origin, u, v, canvas, _ = self.faces[index]
            for x0, x1, y0, y1, z in self.shades:
                if abs(z - origin[2]) < 0.6:
                    _shade_ground(canvas, x0 - origin[0], x1 - origin[0], y0 - origin[1], y1 - origin[1])
        tiles = paint.detail_tiles()
        names = list(tiles)
        images, repeats = [], []
        for origin, u, v, canvas, detail in self.faces:
            images.append(_lit(origin, u, v, canvas, self.lamps))
            side = tiles[detail][0] if detail else 1.0
            repeats.append([np.linalg.norm(u) / side, np.linalg.norm(v) / side])
        texels, texel_start, texel_size = _pack(images)
        packed, tile_start, tile_size = _pack([tile[..., None] for _, tile in tiles.values()])
        return Scene(
            origin=np.array([face[0] for face in self.faces]),
            u=np.array([face[1] for face in self.faces]),
            v=np.array([face[2] for face in self.faces]),
            image=np.arange(len(self.faces)),
            detail=np.array([names.index(face[4]) if face[4] else -1 for face in self.faces]),
            repeats=np.array(repeats),
            texels=texels,
            texel_start=texel_start,
            texel_size=texel_size,
            tiles=packed[:, 0].copy(),
            tile_start=tile_start,
            tile_size=tile_size,
            lamps=np.array([[*lamp.place, *lamp.colour, lamp.head] for lamp in self.lamps if lamp.head]),
        )


def _fill(glow) -> Callable[[Canvas], None] | None:
    """A painter that lets a whole face shine."""
    if glow is None:
        return None
    return lambda canvas: canvas.paint(0, 0, canvas.width, canvas.height, glow=glow)


def _shade_ground(canvas: Canvas, x0, x1, y0, y1):
    """The soft shade about something that stands on the ground and takes light from all sides."""
    blur = 0.35
    where, gx, gz = canvas.grid(x0 - 3 * blur, y0 - 3 * blur, x1 + 3 * blur, y1 + 3 * blur)
    if gx.size < 2 or x1 < 0 or y1 < 0 or x0 > canvas.width or y0 > canvas.height:
        return
    x = (where[1].start + 0.5 + gx[:1] * gx.shape[1] - 0.5) / canvas.scale_x
    y = (where[0].start + 0.5 + gz[:, :1] * gz.shape[0] - 0.5) / canvas.scale_z
    outside = np.hypot(np.maximum(np.maximum(x0 - x, x - x1), 0), np.maximum(np.maximum(y0 - y, y - y1), 0))
    canvas.albedo[where] *= (1 - 0.6 * np.exp(-((outside / blur) ** 2)))[..., None].astype(np.float32)


def _lit(origin, u, v, canvas: Canvas, lamps: list[_Lamp]) -> np.ndarray:
    """(h, w, 4) float32: radiance under the lamps and the sky, and grey reflectance, of a face."""
    h, w = canvas.albedo.shape[:2]
    long_u, long_v = np.linalg.norm(u), np.linalg.norm(v)
    rows = int(np.clip(np.ceil(long_v / 0.4), 2, min(h, 160)))
    columns = int(np.clip(np.ceil(long_u / 0.4), 2, min(w, 160)))
    b, a = (np.mgrid[0:rows, 0:columns] + 0.5) / np.array([rows, columns])[:, None, None]
    places = origin + a[..., None] * u + b[..., None] * v
    normal = np.cross(u, v)
    normal = normal / np.linalg.norm(normal)
    lamp_places = np.array([lamp.place for lamp in lamps])
    lamp_powers = np.array([lamp.power for lamp in lamps])
    light = np.broadcast_to(SKY_LIGHT * (1 + 0.4 * normal[2]), places.shape).copy()
    # Lamps behind the face, or too weak there to matter, are passed over.
    away = np.linalg.norm(lamp_places - (origin + (u + v) / 2), axis=1) - (long_u + long_v) / 2
    counts = ((lamp_places - origin) @ normal > 0) & (lamp_powers > DIMMEST * np.maximum(away, 0) ** 2)
    for lamp in (lamps[index] for index in np.flatnonzero(counts)):
        to = lamp.place - places
        square = (to * to).sum(-1)
        # A street lamp's hood throws most of its light down.
        lobe = 0.32 + 2.6 * np.maximum(to[..., 2], 0) ** 4 / square**2 if lamp.head else 1.0
        strength = np.maximum(to @ normal, 0) * lobe / (np.sqrt(square) * (square + 0.4))
        light += strength[..., None] * (lamp.power * lamp.colour)
    light = cv2.resize(light.astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
    lit = np.empty((h, w, 4), np.float32)
    np.multiply(canvas.albedo, light, out=lit[..., :3])
    lit[..., :3] += canvas.glow
    lit[..., 3] = canvas.albedo @ np.full(3, 1 / 3, np.float32)
    return lit


def _pack(images: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(texels (m, channels), first row of each level (n, levels), width, height and levels (n, 3))."""
    pyramids = [pyramid(image) for image in images]
    rows = [[level.shape[0] * level.shape[1] for level in levels] for levels in pyramids]
    texels = np.empty((sum(map(sum, rows)), images[0].shape[2]), np.float32)
    start = np.zeros((len(images), max(map(len, pyramids))), np.int64)
    size = np.array([[p[0].shape[1], p[0].shape[0], len(p)] for p in pyramids], np.int64)
    row = 0
    for index, levels in enumerate(pyramids):
        for level, image in enumerate(levels):
            start[index, level] = row
            texels[row : row + rows[index][level]] = image.reshape(-1, image.shape[2])
            row += rows[index][level]
    return texels, start, size


def save(town: Town, folder: Path) -> None:
    """Write a town into an empty folder, for other processes to share."""
    for name, array in town.scene._asdict().items():
        np.save(folder / f"{name}.npy", array)
    (folder / "town.pickle").write_bytes(pickle.dumps(replace(town, scene=None)))


def load(folder: Path) -> Town:
    """A town as saved; its arrays stay on the disk and in the memory that all readers share."""
    # Copy on write: nobody writes, but the compiled loops know only writable arrays.
    arrays = {name: np.asarray(np.load(folder / f"{name}.npy", mmap_mode="c")) for name in Scene._fields}
    return replace(pickle.loads((folder / "town.pickle").read_bytes()), scene=Scene(**arrays))
