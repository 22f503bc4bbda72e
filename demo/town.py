"""The two places of the demo, all invented: a tram square and a ferry house with stairs, at night.

World axes and units as in demo/camera.py. Every surface is a parallelogram with its visible side where
U x V points; lamps are small bright boxes whose light is painted onto every surface once (no shadows).
"""

import pickle
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
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
PLASTERS = [
    (0.52, 0.36, 0.22),
    (0.46, 0.42, 0.34),
    (0.40, 0.20, 0.14),
    (0.30, 0.36, 0.36),
    (0.55, 0.46, 0.30),
]
PLASTERS += [(0.36, 0.30, 0.26), (0.50, 0.30, 0.24), (0.34, 0.38, 0.28)]
TRIM = np.array([0.52, 0.48, 0.40])


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


class _Builder:
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

    def street_lamp(self, x, y, ground, height, kelvin, power, distance, arm=0.0):
        """A post with a bright head; with an arm the head hangs beside the post."""
        metal = (0.05, 0.06, 0.06)
        self.post(x, y, ground, ground + 0.5, 0.11, distance, metal)
        self.post(x, y, ground + 0.5, ground + height, 0.055, distance, metal)
        if arm:
            low, high = sorted((x, x + arm))
            self.block(
                low, high, y - 0.04, y + 0.04, ground + height - 0.06, ground + height, distance, metal
            )
        head, top = x + arm, ground + height
        bright = lamp_rgb(kelvin) * 26
        self.post(head, y, top - 0.42, top - 0.08, 0.15, distance, (0.5, 0.5, 0.5), 8, glow=bright)
        self.post(head, y, top - 0.08, top + 0.02, 0.22, distance, metal, 8)
        self.lamp((head, y, top - 0.25), kelvin, power, head=0.15)

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


def build(name: str, focal: float, seed: int) -> Town:
    """The place `name` ("square" or "stairs"), with textures fine enough for a focal length in pixels."""
    builder = _Builder(focal, np.random.default_rng([seed, 1]))
    return {"square": _square, "stairs": _stairs}[name](builder)


def _sky(b: _Builder):
    """A far backdrop: the town's glow low down, a darker blue above, torn thin clouds."""
    canvas = Canvas(1400, 500, 0.75, (0, 0, 0), b.rng, 0)
    _, gx, gz = canvas.grid(0, 0, 1400, 500)
    glow = np.exp(-gz / 0.16)[..., None] * [0.030, 0.022, 0.018] + [0.0062, 0.0072, 0.0098]
    clouds = np.clip(paint.grain(gx.shape, b.rng, 1.25) * 0.5 + 0.25, 0, 2) * (0.35 + np.exp(-gz / 0.25))
    canvas.glow[:] = glow * (1 + 0.75 * clouds[..., None] * [1.1, 1.0, 0.92])
    b.face((-700, 420, -20), (1400, 0, 0), (0, 0, 500), canvas)


def _skyline(b: _Builder, x0, x1, y, base, low, high, lit=0.3):
    """Distant house fronts, dark, with small lit windows."""
    x = x0
    while x < x1:
        wide, tall = b.rng.uniform(6, 15), b.rng.uniform(low, high)

        def draw(canvas, wide=wide, tall=tall):
            for z in np.arange(1.5, tall - 1.5, 3.1):
                for left in np.arange(1.0, wide - 1.5, b.rng.uniform(1.8, 3.2)):
                    if b.rng.random() < lit:
                        colour = lamp_rgb(b.rng.choice([2500, 2900, 4000])) * b.rng.uniform(0.05, 0.3)
                        canvas.paint(left, z, left + b.rng.uniform(0.7, 1.2), z + 1.5, glow=colour)

        b.wall(
            (x, y), (x + wide, y), base, base + tall, y, PLASTERS[b.rng.integers(len(PLASTERS))], None, draw
        )
        x += wide + b.rng.choice([0, 0, 3])


def _row(b: _Builder, side: int, x: float, y0: float, y1: float):
    """Town houses along a street, on the left (side -1) or right (+1); fronts step in and out a little."""
    y = y0
    while y < y1 - 3:
        wide = min(b.rng.uniform(6, 10.5), y1 - y)
        if y1 - y - wide < 4:
            wide = y1 - y
        front = x + side * b.rng.choice([0.0, 0.25, 0.6])
        tall = b.rng.uniform(8.5, 14.5)
        colour = PLASTERS[b.rng.integers(len(PLASTERS))]
        detail = str(b.rng.choice(["plaster", "brick", "plaster", "ashlar"]))
        shops, storeys = b.rng.random() < 0.75, b.rng.uniform(2.8, 3.5)
        ends = ((front, y), (front, y + wide)) if side < 0 else ((front, y + wide), (front, y))
        distance = float(np.hypot(abs(x), max(0.6 * (y - 8), 6)))
        draw = partial(paint.house, rng=b.rng, trim=TRIM, storeys=storeys, shops=shops)
        b.wall(*ends, 0, tall, distance, colour, detail, draw)
        # The near end wall of a house shows where it is taller or stands further out than the one before.
        far = front + side * 9
        ends = ((far, y), (front, y)) if side < 0 else ((front, y), (far, y))
        b.wall(*ends, 0, tall, 2.5 * distance, np.multiply(colour, 0.7), "brick")
        rise = np.array([side * 4.0, 0, b.rng.uniform(2.5, 4.5)])
        roof = b.canvas(wide, np.linalg.norm(rise), 2.5 * distance, (0.08, 0.06, 0.06))
        start = np.array([front, y if side < 0 else y + wide, tall])
        b.face(start, (0, wide if side < 0 else -wide, 0), rise, roof, "slates")
        if b.rng.random() < 0.6:
            cy = y + b.rng.uniform(1, wide - 1)
            b.block(
                front + side * 2 - 0.4,
                front + side * 2 + 0.4,
                cy,
                cy + 0.7,
                tall,
                tall + 3.4,
                25,
                colour,
                "brick",
            )
        if shops and b.rng.random() < 0.7:  # a sign that hangs out over the pavement
            sy, sz = y + b.rng.uniform(1, wide - 1), b.rng.uniform(3.4, 4.6)
            tint = lamp_rgb(b.rng.choice([2400, 4000, 8000])) * b.rng.uniform(
                [0.2, 0.2, 0.2], [0.8, 0.7, 0.7]
            )
            out = front - side * 0.95
            a, c = sorted((front - side * 0.1, out))

            def draw(canvas, tint=tint):
                canvas.paint(0, 0, canvas.width, canvas.height, (0.1, 0.1, 0.1), glow=tint * 0.5)
                paint.board(canvas, b.rng, 0.08, 0.1, canvas.width - 0.16, canvas.height - 0.2)

            b.wall((a, sy), (c, sy), sz, sz + 0.8, distance, (0.1, 0.1, 0.1), None, draw)
            b.lamp((out, sy, sz + 0.4), 3800, 0.5)
        y += wide


def _hall(
    b: _Builder, y: float, ground: float, half: float, height: float, colour, kelvin: float
) -> np.ndarray:
    """The main building with a stepped clock tower; gives the clock's centre, the hold point."""
    distance = 36
    b.wall(
        (-half, y),
        (half, y),
        ground,
        ground + height,
        distance,
        colour,
        "ashlar",
        lambda c: paint.house(c, b.rng, TRIM, 3.4, False, grand=True),
        96,
    )
    roof = b.canvas(2 * half, 5, distance, (0.06, 0.08, 0.08))
    b.face((-half, y, ground + height), (2 * half, 0, 0), (0, 4, 3.4), roof, "slates")
    for x in np.arange(-half + 2.4, half, 4.0):
        if abs(x) > 5:
            b.block(
                x - 0.6,
                x + 0.6,
                y + 0.2,
                y + 2.5,
                ground + height + 0.2,
                ground + height + 2.0,
                distance,
                colour,
            )
            top = ground + height
            lit = b.rng.random() < 0.5
            b.wall(
                (x - 0.42, y + 0.15),
                (x + 0.42, y + 0.15),
                top + 0.45,
                top + 1.75,
                distance,
                GLASS_WALL,
                None,
                lambda c, lit=lit: paint.window(c, b.rng, 0.08, 0.06, 0.68, 1.16, TRIM, lit, True),
            )
    wide, front, top = 3.4, y - 1.4, ground + height + 4.5
    middle = np.array([0.35, front, ground + height - 2.6])

    def tower(canvas):
        for z in np.arange(0, top - ground - 0.6, 0.45):
            for x in (0.0, 2 * wide - (0.7 if int(z / 0.45) % 2 else 0.45)):
                w = 0.7 if int(z / 0.45) % 2 else 0.45
                canvas.paint(x, z, x + w, z + 0.41, TRIM * b.rng.uniform(0.85, 1.1))
        canvas.paint(0, 0, 2 * wide, 0.8, TRIM * 0.5)
        for x in (0.9, 2 * wide - 2.1):
            paint.window(canvas, b.rng, x, 1.3, 1.2, 2.6, TRIM, True, True, (2, 4))
        paint.window(canvas, b.rng, wide - 0.9, 0.05, 1.8, 3.5, TRIM, True, True, (2, 5), level=1.2)
        for z in (4.3, height - 5.6):
            canvas.paint(0, z, 2 * wide, z + 0.25, TRIM)
            canvas.soften(z - 0.5, z, 0.55)
        for x in (1.0, wide - 0.5, 2 * wide - 2.0):
            paint.window(
                canvas, b.rng, x, 4.9, 1.0, max(height - 11.2, 1.4), TRIM, b.rng.random() < 0.6, True, (2, 3)
            )
        clock_x, clock_z = middle[0] + wide, middle[2] - ground
        paint.clock(canvas, clock_x, clock_z, 1.75, b.rng)
        canvas.paint(0, height + 0.1, 2 * wide, height + 0.4, TRIM)
        canvas.soften(height - 0.35, height + 0.1, 0.5)
        for x in np.arange(0.7, 2 * wide - 1, 1.15):
            paint.window(canvas, b.rng, x, height + 0.9, 0.72, 2.3, TRIM, True, True, (1, 6), level=0.7)
        canvas.paint(0, top - ground - 0.5, 2 * wide, top - ground, TRIM)

    b.wall((-wide, front), (wide, front), ground, top, 27, colour, "ashlar", tower, 130)
    for start, end in (((-wide, y + 5), (-wide, front)), ((wide, front), (wide, y + 5))):
        b.wall(start, end, ground, top, distance, colour, "ashlar")
    for inset, tall in ((0.7, 1.6), (1.5, 2.4), (2.5, 1.4), (3.1, 2.6)):
        r = wide - inset
        b.block(
            -r,
            r,
            front + inset,
            front + inset + 2 * r,
            top,
            top + tall,
            distance,
            np.multiply(colour, 0.8),
            "ashlar",
        )
        top += tall
    for x in (-half + 2, -half + 6.5, -4.6, 4.6, half - 6.5, half - 2):  # light thrown up the front
        b.lamp((x, y - 3.4, ground + 0.3), kelvin, 4.6)
    for x in (-2.4, 2.9):
        b.lamp((x, front - 2.6, ground + height - 6.0), kelvin, 2.6)
    for x in (-2, 2):
        b.lamp((x, front - 1.5, ground + height + 2.0), kelvin + 500, 1.2)
    return middle


GLASS_WALL = (0.2, 0.2, 0.2)


def _ground(b: _Builder, x0, x1, y0, y1, z, distance, colour, detail, rough=0.16, draw=None):
    canvas = Canvas(x1 - x0, y1 - y0, b.density(distance, 26), colour, b.rng, rough)
    if draw:
        draw(canvas)
    b.grounds.append(len(b.faces))
    b.face((x0, y0, z), (x1 - x0, 0, 0), (0, y1 - y0, 0), canvas, detail)


def _bench(b: _Builder, x, y, z, distance):
    wood = (0.22, 0.13, 0.07)
    b.block(x - 0.9, x + 0.9, y, y + 0.5, z + 0.40, z + 0.47, distance, wood)
    b.block(x - 0.9, x + 0.9, y + 0.46, y + 0.52, z + 0.55, z + 0.95, distance, wood)
    for dx in (-0.75, 0.7):
        b.block(x + dx, x + dx + 0.06, y + 0.05, y + 0.5, z, z + 0.4, distance, (0.05, 0.05, 0.05))


def _planter(b: _Builder, x, y, z, distance):
    b.block(x - 0.6, x + 0.6, y - 0.6, y + 0.6, z, z + 0.6, distance, (0.3, 0.28, 0.25), "plaster")
    for _ in range(11):
        dx, dy, dz, s = *b.rng.uniform(-0.35, 0.35, 2), b.rng.uniform(0, 0.6), b.rng.uniform(0.14, 0.3)
        leaf = b.rng.uniform([0.03, 0.09, 0.02], [0.09, 0.2, 0.06])
        b.post(x + dx, y + dy, z + 0.5, z + 0.62 + dz, s, distance, leaf, 5, partial(paint.leaves, rng=b.rng))


def _column(b: _Builder, x, y, z, distance):
    """A round column for bills, each with an invented picture."""

    def bill(canvas):
        canvas.paint(0, 0, canvas.width, 0.3, (0.1, 0.1, 0.1))
        low = 0.4
        while low < canvas.height - 0.5:
            tall = b.rng.uniform(0.35, 0.8)
            canvas.paint(
                0.0,
                low,
                canvas.width,
                low + tall - 0.03,
                b.rng.uniform(0.1, 0.5) * b.rng.uniform(0.6, 1.3, 3),
            )
            for _ in range(7):
                px, pz = b.rng.uniform(0, canvas.width * 0.8), low + b.rng.uniform(0.02, tall - 0.15)
                canvas.paint(
                    px,
                    pz,
                    px + b.rng.uniform(0.04, 0.2),
                    pz + b.rng.uniform(0.02, 0.1),
                    b.rng.uniform(0, 0.8, 3),
                )
            low += tall

    b.post(x, y, z, z + 2.9, 0.62, distance, (0.3, 0.3, 0.28), sides=12, draw=bill)
    b.post(x, y, z + 2.9, z + 3.1, 0.74, distance, (0.06, 0.1, 0.08), sides=12)


def _tram(b: _Builder, x0, x1, y0, y1):
    """A tram that stands at its stop: two cars with lit windows."""
    livery = (0.42, 0.07, 0.05)

    def side(canvas):
        canvas.paint(0, 0, canvas.width, 0.25, (0.05, 0.05, 0.05))
        canvas.paint(0, 0.95, canvas.width, 1.1, (0.6, 0.56, 0.42))
        for left in np.arange(0.35, canvas.width - 1.2, 1.3):
            door = int(left / 1.3) % 4 == 1
            where, gx, gz = canvas.grid(left, 0.35 if door else 1.25, left + 1.1, 2.45)
            light = 0.14 + 0.16 * gz + 0.3 * np.exp(-(((gz - 0.9) / 0.06) ** 2))
            light *= 1 - 0.5 * (np.abs(gx - b.rng.uniform(0.2, 0.8)) < 0.02)
            seats = (gz < 0.4) & ((gx * 2) % 1 < 0.72)
            light = np.where(seats & (not door), light * 0.3, light)
            if b.rng.random() < 0.5:  # somebody in the seat
                cx = b.rng.choice([0.2, 0.7])
                person = (((gx - cx) / 0.10) ** 2 + ((gz - 0.58) / 0.11) ** 2 < 1) | (
                    ((gx - cx) / 0.2) ** 2 + ((gz - 0.28) / 0.22) ** 2 < 1
                )
                light = np.where(person, light * 0.16, light)
            canvas.glow[where] = light[..., None] * lamp_rgb(3900)
            canvas.albedo[where] = paint.GLASS
            if door:
                canvas.paint(left + 0.52, 0.35, left + 0.58, 2.45, (0.05, 0.05, 0.05))
        canvas.paint(0, 2.6, canvas.width, 2.75, (0.6, 0.56, 0.42))

    def front(canvas):
        w = canvas.width
        canvas.paint(0, 0, w, 0.3, (0.05, 0.05, 0.05))
        where, gx, gz = canvas.grid(0.25, 1.2, w - 0.25, 2.4)
        canvas.glow[where] = (0.05 + 0.14 * gz + 0.05 * np.sin(gx * 19))[..., None] * lamp_rgb(3900)
        canvas.albedo[where] = paint.GLASS
        canvas.paint(0.6, 2.5, w - 0.6, 2.85, (0.02, 0.02, 0.02))
        for px in np.arange(0.75, w - 0.8, 0.17):
            canvas.paint(px, 2.58, px + 0.1, 2.58 + b.rng.uniform(0.06, 0.2), glow=lamp_rgb(2100) * 0.7)
        for px in (0.3, w - 0.5):
            canvas.paint(px, 0.6, px + 0.2, 0.8, glow=np.array([0.9, 0.02, 0.01]))

    middle = (y0 + y1) / 2
    for start, end in ((y0, middle - 0.25), (middle + 0.25, y1)):
        b.wall((x1, start), (x1, end), 0.3, 3.3, 20, livery, None, side)
        b.wall((x0, end), (x0, start), 0.3, 3.3, 20, livery, None, side)
        b.wall((x0, start), (x1, start), 0.3, 3.3, 20, livery, None, front)
        roof = b.canvas(x1 - x0, end - start, 30, (0.2, 0.2, 0.2))
        b.face((x0, start, 3.3), (x1 - x0, 0, 0), (0, end - start, 0), roof)
        for y in np.arange(start + 1, end, 3.0):
            b.lamp((x1 + 0.4, y, 1.9), 4200, 0.7)
            b.lamp((x0 - 0.4, y, 1.9), 4200, 0.7)
    b.block(x0 + 0.2, x1 - 0.2, middle - 0.3, middle + 0.3, 0.4, 3.1, 25, (0.04, 0.04, 0.04))


def _square(b: _Builder) -> Town:
    """A square that narrows to a clock tower 46 m from the start; shops on both sides, a tram at its stop."""
    left, right, back = -10.0, 11.5, 46.0
    for y in (3, 12, 21, 30):
        b.street_lamp(-3.4, y + 1.5, 0, 4.3, 2750, 7.5, 10, arm=0.0)
        b.street_lamp(5.0, y + 5.5, 0, 4.6, 3050, 8.0, 10, arm=0.0)
    for x in (-9, 10):
        b.street_lamp(x, 43.8, 0, 5.0, 2900, 8.0, 30)
    hold = _hall(b, back, 0, 14.5, 12.2, (0.50, 0.40, 0.27), 3000)
    _row(b, -1, left, 4, 38.5)
    _row(b, 1, right, 4, 38.5)
    _tram(b, -7.4, -5.0, 19.0, 37.0)

    def crossing(canvas):
        for x in np.arange(0.2, canvas.width, 1.0):
            canvas.paint(x, 0, x + 0.5, canvas.height, (0.42, 0.42, 0.38))

    _ground(b, left - 1, right + 1, -6, 39, 0, 9, (0.15, 0.14, 0.13), "cobbles")
    _ground(b, -60, 60, 39, 44, -0.02, 26, (0.075, 0.075, 0.08), "asphalt", draw=_road_marks)
    _ground(b, -2.5, 4.5, 39.2, 43.8, -0.015, 26, (0.085, 0.085, 0.085), "asphalt", draw=crossing)
    _ground(b, -30, 30, 44, 47, 0.0, 26, (0.22, 0.2, 0.17), "paving")
    _ground(b, -80, 80, 47, 120, -0.05, 400, (0.08, 0.08, 0.08), None)
    # raised pavements with kerbs
    for x0, x1 in ((left - 1, left + 2.4), (right - 3.0, right + 1)):
        _ground(b, x0, x1, -6, 38.8, 0.13, 10, (0.2, 0.185, 0.165), "paving")
    for start, end in (((left + 2.4, -6), (left + 2.4, 38.8)), ((right - 3.0, 38.8), (right - 3.0, -6))):
        b.wall(start, end, 0, 0.13, 10, (0.33, 0.32, 0.3), None)
    for x in (-6.95, -5.5, -2.3, -0.85):  # rails
        _ground(b, x - 0.05, x + 0.05, -6, 44, 0.012, 14, (0.3, 0.3, 0.32), None)
        for edge in (-0.09, 0.06):
            _ground(b, x + edge, x + edge + 0.03, -6, 44, 0.010, 14, (0.02, 0.02, 0.02), None)
    for y in np.arange(3.0, 38, 2.6):
        for x in (-3.4, 5.0):
            if b.rng.random() < 0.8:
                b.post(x + b.rng.uniform(-0.05, 0.05), y, 0, 0.95, 0.10, 6, (0.10, 0.10, 0.11))
                b.post(x, y, 0.95, 1.03, 0.125, 6, (0.42, 0.40, 0.34))
    _column(b, 6.6, 15.5, 0, 9)
    _column(b, 7.2, 34.0, 0, 20)
    _column(b, -8.4, 16.0, 0.13, 12)
    for y in (10.5, 20.0, 27.5):
        _bench(b, 6.7, y, 0, 8)
    for x, y in ((6.6, 22.5), (6.8, 30.5), (-8.6, 20.5), (4.9, 38.0), (-3.4, 38.0)):
        _planter(b, x, y, 0, 9)
    _kiosk(b, 5.9, 24.0)
    for x, y, tall in ((-3.4, 8.5, 2.8), (5.0, 13.0, 2.6), (5.1, 27.0, 2.7)):
        _signpost(b, x, y, tall)
    _skyline(b, -70, 70, 78, 0, 9, 17)
    _sky(b)
    stand = np.array([0.6, 7.5, 1.6])
    return Town(b.bake(), hold, stand, (40.4, 42.6, -0.02), (-4.5, 8.0, 12.0, 38.0), (0, 1, 0))


def _signpost(b: _Builder, x, y, tall):
    b.post(x, y, 0, tall, 0.04, 8, (0.25, 0.25, 0.26))

    def plate(canvas):
        canvas.paint(
            0.03,
            0.03,
            canvas.width - 0.03,
            canvas.height - 0.03,
            b.rng.uniform([0.05, 0.1, 0.3], [0.5, 0.3, 0.6]),
        )
        canvas.paint(0.12, 0.12, 0.3, canvas.height - 0.12, (0.7, 0.7, 0.66))
        canvas.paint(0.36, 0.2, canvas.width - 0.1, 0.3, (0.7, 0.7, 0.66))

    b.wall(
        (x - 0.32, y - 0.06), (x + 0.32, y - 0.06), tall - 0.75, tall - 0.1, 8, (0.7, 0.7, 0.7), None, plate
    )


def _stairs(b: _Builder) -> Town:
    """A ferry house above broad stairs; a bridge and a moored ferry on the left, houses on the right."""
    edge, right, foot, head, high = -7.0, 12.5, 27.5, 32.0, 1.6
    for y in (5.5, 13.0, 20.5):
        b.street_lamp(edge + 0.6, y, 0, 4.2, 2650, 9.0, 9)
        b.street_lamp(9.3, y + 3.5, 0, 4.4, 3000, 9.0, 9)
    for x in (-2.9, 5.1):
        b.street_lamp(x, 21.2, 0, 4.0, 2800, 8.0, 14)
    for x in (edge + 0.2, 9.6):
        b.street_lamp(x, head + 0.4, high, 3.6, 2900, 6.5, 28)
    for x in (-34, -24, -15):
        b.street_lamp(x, 26.7, 0, 4.0, 2700, 6.5, 30)
    hold = _hall(b, 44.0, high, 12.6, 11.0, (0.42, 0.27, 0.2), 3100)
    _row(b, 1, right, 3, 21.5)
    _row(b, 1, right + 1.5, 28, 43)
    _ground(b, edge, right + 1, -6, 22.6, 0, 9, (0.17, 0.155, 0.14), "paving")
    _ground(b, -70, 60, 22.6, 26.6, -0.02, 18, (0.08, 0.08, 0.085), "asphalt", draw=_road_marks)
    _ground(b, edge, 40, 26.6, foot, 0, 18, (0.2, 0.185, 0.16), "paving")
    steps = 10
    rise, tread = high / steps, (head - foot) / steps
    for step in range(steps):
        y, z = foot + step * tread, step * rise
        b.wall((edge, y), (10.2, y), z, z + rise, 20, (0.15, 0.14, 0.125), "plaster", _nosing)
        _ground(b, edge, 10.2, y, y + tread, z + rise, 20, (0.34, 0.315, 0.28), "plaster")
    _ground(b, edge, 40, head, 46, high, 26, (0.2, 0.18, 0.155), "paving")
    b.wall((10.2, foot), (40, foot), 0, high, 18, (0.25, 0.23, 0.2), "ashlar")
    for x in (edge, 9.8):  # cheek walls with planters on their ends
        b.block(x, x + 0.5, foot - 0.3, head, 0, high + 0.35, 18, (0.3, 0.28, 0.25), "ashlar")
        _planter(b, x + 0.25, head + 1.6, high, 24)
    for x in (-2.2, 4.4):
        _handrail(b, x, foot, head, high)
    # the bridge, its parapets, the quay wall
    b.wall((-70, 22.6), (edge, 22.6), -1.2, 0, 20, (0.26, 0.24, 0.21), "ashlar")
    for y in (22.5, 26.6):
        b.block(-70, edge, y, y + 0.3, 0, 0.95, 20, (0.28, 0.26, 0.23), "ashlar")
    b.wall((edge, foot), (edge, 60), -1.6, high, 26, (0.2, 0.19, 0.17), "ashlar")
    for y in np.arange(4.0, 22, 2.9):  # mooring posts and a low rail along the quay
        b.post(edge + 0.35, y, 0, 0.62, 0.15, 7, (0.09, 0.09, 0.1))
        b.post(edge + 0.35, y, 0.62, 0.74, 0.2, 7, (0.30, 0.28, 0.24))
    _water(b, -110, edge, -6, 110, -1.6)
    _ferry(b, -16.5, -9.5, 31.0, 56.0, -1.6)
    _skyline(b, -120, -14, 108, -2, 8, 20, lit=0.4)
    _skyline(b, -20, 80, 76, 0, 10, 18)
    _column(b, 8.2, 16.5, 0, 9)
    _column(b, 7.4, 36.5, high, 26)
    for x, y, z in ((6.6, 11.5, 0), (8.4, 20.5, 0), (-5.2, 10.2, 0), (-4.4, 36.5, high), (3.4, 38.0, high)):
        _bench(b, x, y, z, 8 if z == 0 else 28)
    for x, y, z in (
        (7.9, 13.3, 0),
        (-5.4, 17.4, 0),
        (8.6, 24.0 - 2.2, 0),
        (-2.4, 40.6, high),
        (3.2, 40.6, high),
    ):
        _planter(b, x, y, z, 9 if z == 0 else 28)
    for x in np.arange(-5.4, 9, 1.8):
        b.post(x, 22.1, 0, 0.9, 0.09, 12, (0.12, 0.12, 0.13))
        b.post(x, 22.1, 0.9, 0.97, 0.11, 12, (0.42, 0.40, 0.34))
    for x, y, tall in ((-5.6, 12.6, 2.7), (9.2, 18.0, 2.8), (2.2, 21.8, 2.6)):
        _signpost(b, x, y, tall)
    _kiosk(b, 5.2, 17.6)
    _sky(b)
    stand = np.array([1.0, 6.5, 1.6])
    return Town(b.bake(), hold, stand, (23.6, 25.6, -0.02), (-5.5, 8.5, 12.5, 41.0), (foot, head, high))


def _nosing(canvas: Canvas):
    canvas.paint(0, canvas.height - 0.035, canvas.width, canvas.height, (0.45, 0.42, 0.38))


def _handrail(b: _Builder, x, y0, y1, rise):
    metal = (0.32, 0.31, 0.29)
    for part in np.linspace(0, 1, 5):
        b.post(x, y0 + part * (y1 - y0), part * rise, part * rise + 0.95, 0.03, 18, metal)
    along = (0, y1 - y0, rise)
    length = float(np.hypot(y1 - y0, rise))
    b.face((x - 0.035, y0, 0.97), (0.07, 0, 0), along, b.canvas(0.07, length, 18, metal))
    for side in (-1, 1):
        start = np.array([x + 0.035 * side, y0, 0.91])
        u, start = (along, start) if side < 0 else (np.negative(along), start + along)
        b.face(start, u, (0, 0, 0.06), b.canvas(length, 0.06, 18, metal))


def _water(b: _Builder, x0, x1, y0, y1, z):
    """Dark water with the broken reflections of lights beyond it, drawn out towards the photographer."""
    canvas = Canvas(x1 - x0, y1 - y0, b.density(60, 12), (0.012, 0.014, 0.016), b.rng, 0.3)
    where, gx, gz = canvas.grid(0, 0, x1 - x0, y1 - y0)
    ripples = cv2.resize(
        paint.grain((gx.shape[0], 256), b.rng, 0.7), gx.shape[::-1], interpolation=cv2.INTER_LINEAR
    )
    light = np.full((*gx.shape, 3), 0.005, np.float32) * [0.8, 0.9, 1.2]
    for _ in range(90):
        cx, wide = b.rng.random(), b.rng.uniform(0.002, 0.006)
        colour = lamp_rgb(b.rng.choice([2300, 2800, 3600, 7000])) * b.rng.uniform(0.02, 0.16)
        streak = np.exp(-(((gx - cx) / wide + 0.7 * ripples) ** 2)) * np.clip(
            gz - b.rng.uniform(0.1, 0.6), 0, 1
        )
        light += (streak * np.clip(0.6 + 0.9 * ripples, 0, 3))[..., None] * colour
    canvas.glow[where] = light
    b.face((x0, y0, z), (x1 - x0, 0, 0), (0, y1 - y0, 0), canvas)


def _ferry(b: _Builder, x0, x1, y0, y1, z):
    """A moored ferry, stern to the bridge: hull, two decks with lit windows, a funnel, a string of lamps."""

    def deck(canvas):
        for left in np.arange(0.4, canvas.width - 0.9, 1.25):
            paint.window(
                canvas, b.rng, left, 0.9, 0.85, 1.0, (0.5, 0.5, 0.46), b.rng.random() < 0.8, False, (1, 1)
            )

    white, dark = (0.5, 0.49, 0.45), (0.05, 0.10, 0.13)
    for inset, low, tall, colour, draw in (
        (0.0, 0.0, 2.5, dark, None),
        (0.3, 2.5, 2.4, white, deck),
        (0.9, 4.9, 2.3, white, deck),
    ):
        a, c, front, back = x0 + inset, x1 - inset, y0 + 2 * inset, y1 - 2 * inset
        b.wall((a, front), (c, front), z + low, z + low + tall, 24, colour, None, draw)
        b.wall((c, front), (c, back), z + low, z + low + tall, 26, colour, None, draw)
        top = b.canvas(c - a, back - front, 200, (0.2, 0.2, 0.2))
        b.face((a, front, z + low + tall), (c - a, 0, 0), (0, back - front, 0), top)
    middle = (x0 + x1) / 2
    b.post(middle, y0 + 9, z + 7.2, z + 10.4, 0.9, 26, (0.4, 0.09, 0.05), 12)
    b.post(middle, y0 + 9, z + 10.4, z + 10.9, 0.92, 26, (0.03, 0.03, 0.03), 12)
    b.post(middle, y0 + 4, z + 7.2, z + 13.0, 0.08, 26, (0.3, 0.3, 0.3))
    for x in (x0 + 1, middle, x1 - 1):
        b.lamp((x, y0 - 0.8, z + 5.2), 3300, 1.4)
    for y in (y0 + 3, y0 + 10, y0 + 17):
        b.lamp((x1 + 0.9, y, z + 4.8), 3300, 1.8)


def _road_marks(canvas: Canvas):
    for x in np.arange(0, canvas.width, 3.2):
        canvas.paint(x, canvas.height / 2 - 0.06, x + 1.6, canvas.height / 2 + 0.06, (0.45, 0.45, 0.42))


def _kiosk(b: _Builder, x, y):
    """A small stall under its own light."""
    b.block(x, x + 2.2, y, y + 2.0, 0, 2.3, 14, (0.10, 0.2, 0.17))
    b.block(x - 0.4, x + 2.6, y - 0.5, y + 2.3, 2.3, 2.5, 14, (0.1, 0.1, 0.09))

    def front(canvas):
        paint.shop(canvas, b.rng, 0, 0, canvas.width, canvas.height, (0.12, 0.26, 0.2))

    b.wall((x + 0.05, y - 0.03), (x + 2.15, y - 0.03), 0, 2.28, 14, (0.12, 0.24, 0.2), None, front)
    b.lamp((x + 1.1, y - 1.1, 1.9), 3300, 2.2)
