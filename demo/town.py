"""The two places of the demo, all invented: a tram square and a ferry house with stairs, at night.

World axes and units as in demo/camera.py. Every surface is a parallelogram with its visible side where
U x V points; lamps are small bright boxes whose light is painted onto every surface once (no shadows).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from demo import paint
from demo.camera import lamp_rgb
from demo.paint import Canvas
from demo.render import Scene, pyramid

UP = np.array([0.0, 0.0, 1.0])
SKY_LIGHT = np.array([0.021, 0.021, 0.026])  # what reaches every surface from the glow over the town
PLASTERS = [(0.52, 0.36, 0.22), (0.46, 0.42, 0.34), (0.40, 0.20, 0.14), (0.30, 0.36, 0.36), (0.55, 0.46, 0.30)]
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
    height: Callable[[float, float], float]  # of the ground there


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

    def density(self, distance: float, limit: float = 88) -> float:
        """Texels a metre that a wall at `distance` metres needs in this camera."""
        return float(np.clip(1.25 * self.focal / distance, 6, limit))

    def canvas(self, width, height, distance, colour, rough=0.12) -> Canvas:
        return Canvas(width, height, self.density(distance), colour, self.rng, rough)

    def face(self, origin, u, v, canvas: Canvas, detail: str | None = None):
        self.faces.append((*(np.asarray(a, float) for a in (origin, u, v)), canvas, detail))

    def wall(self, start, end, low, high, distance, colour, detail, draw: Callable[[Canvas], None] | None = None):
        """An upright face from `start` to `end` (x, y), seen with the start on the left."""
        start, end = np.array([*start, low], float), np.array([*end, low], float)
        canvas = self.canvas(np.linalg.norm(end - start), high - low, distance, colour)
        if draw:
            draw(canvas)
        self.face(start, end - start, (high - low) * UP, canvas, detail)

    def block(self, x0, x1, y0, y1, z0, z1, distance, colour, detail=None, glow=None, rough=0.2):
        """A box: the sides that can face a walker who comes from low y, and the top."""
        sides = [((x0, y0), (x1, y0)), ((x1, y0), (x1, y1)), ((x0, y1), (x0, y0))]
        for start, end in sides:
            self.wall(start, end, z0, z1, distance, colour, detail, _fill(glow))
        top = self.canvas(x1 - x0, y1 - y0, distance, colour, rough)
        self.face((x0, y0, z1), (x1 - x0, 0, 0), (0, y1 - y0, 0), top, detail)

    def post(self, x, y, z0, z1, radius, distance, colour, sides=6, draw=None, glow=None):
        """An upright prism with a lid."""
        turns = np.arange(sides + 1) * 2 * np.pi / sides
        ring = np.column_stack([x + radius * np.sin(turns), y - radius * np.cos(turns)])
        for start, end in zip(ring[:-1], ring[1:], strict=True):
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
            self.block(low, high, y - 0.04, y + 0.04, ground + height - 0.06, ground + height, distance, metal)
        head, top = x + arm, ground + height
        bright = lamp_rgb(kelvin) * 26
        self.post(head, y, top - 0.42, top - 0.08, 0.15, distance, (0.5, 0.5, 0.5), 8, glow=bright)
        self.post(head, y, top - 0.08, top + 0.02, 0.22, distance, metal, 8)
        self.lamp((head, y, top - 0.25), kelvin, power, head=0.15)

    def bake(self) -> Scene:
        """Light every face and pack the scene."""
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
    light = np.broadcast_to(SKY_LIGHT * (1 + 0.4 * normal[2]), places.shape).copy()
    for lamp in lamps:
        to = lamp.place - places
        square = (to**2).sum(-1)
        cosine = np.maximum(to @ normal, 0) / np.sqrt(square)
        light += (cosine / (square + 0.4))[..., None] * (lamp.power * lamp.colour)
    light = cv2.resize(light.astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
    return np.dstack([canvas.albedo * light + canvas.glow, canvas.albedo.mean(-1)])


def _pack(images: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(texels (m, channels), first row of each level (n, levels), width, height and levels (n, 3))."""
    pyramids = [pyramid(image) for image in images]
    start = np.zeros((len(images), max(map(len, pyramids))), np.int64)
    size = np.array([[p[0].shape[1], p[0].shape[0], len(p)] for p in pyramids], np.int64)
    parts, row = [], 0
    for index, levels in enumerate(pyramids):
        for level, image in enumerate(levels):
            start[index, level] = row
            row += image.shape[0] * image.shape[1]
            parts.append(image.reshape(-1, image.shape[2]))
    return np.concatenate(parts), start, size


@lru_cache(maxsize=1)
def build(name: str, focal: float, seed: int) -> Town:
    """The place called `name` ("square" or "stairs"), with textures fine enough for a focal length in pixels."""
    builder = _Builder(focal, np.random.default_rng([seed, 1]))
    return {"square": _square, "stairs": _stairs}[name](builder)


def _sky(b: _Builder):
    """A far backdrop: the town's glow low down, a darker blue above, torn thin clouds."""
    canvas = Canvas(1400, 500, 0.75, (0, 0, 0), b.rng, 0)
    _, gx, gz = canvas.grid(0, 0, 1400, 500)
    glow = np.exp(-gz / 0.16)[..., None] * [0.034, 0.026, 0.022] + [0.0062, 0.0085, 0.0145]
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

        b.wall((x, y), (x + wide, y), base, base + tall, y, PLASTERS[b.rng.integers(len(PLASTERS))], None, draw)
        x += wide + b.rng.choice([0, 0, 3])


def _row(b: _Builder, side: int, x: float, y0: float, y1: float):
    """Town houses along a street, on the left (side -1) or right (+1); fronts step in and out a little."""
    y = y0
    previous = None
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
        b.wall(*ends, 0, tall, distance, colour, detail, lambda c: paint.house(c, b.rng, TRIM, storeys, shops))
        # The near end wall of a house shows where it is taller or stands further out than the one before.
        far = front + side * 9
        ends = ((far, y), (front, y)) if side < 0 else ((front, y), (far, y))
        b.wall(*ends, 0, tall, 1.3 * distance, np.multiply(colour, 0.7), "brick")
        rise = np.array([side * 4.0, 0, b.rng.uniform(2.5, 4.5)])
        roof = b.canvas(wide, np.linalg.norm(rise), 1.3 * distance, (0.08, 0.06, 0.06))
        start = np.array([front, y if side < 0 else y + wide, tall])
        b.face(start, (0, wide if side < 0 else -wide, 0), rise, roof, "slates")
        if b.rng.random() < 0.6:
            cy = y + b.rng.uniform(1, wide - 1)
            b.block(front + side * 2 - 0.4, front + side * 2 + 0.4, cy, cy + 0.7, tall, tall + 3.4, 25, colour, "brick")
        previous = tall if previous is None else previous
        if shops and b.rng.random() < 0.7:  # a sign that hangs out over the pavement
            sy, sz = y + b.rng.uniform(1, wide - 1), b.rng.uniform(3.4, 4.6)
            tint = lamp_rgb(b.rng.choice([2400, 4000, 8000])) * b.rng.uniform([0.2, 0.2, 0.2], [0.8, 0.7, 0.7])
            out = front - side * 0.95
            a, c = sorted((front - side * 0.1, out))

            def draw(canvas, tint=tint):
                canvas.paint(0, 0, canvas.width, canvas.height, (0.1, 0.1, 0.1), glow=tint * 0.5)
                paint.board(canvas, b.rng, 0.08, 0.1, canvas.width - 0.16, canvas.height - 0.2)

            b.wall((a, sy), (c, sy), sz, sz + 0.8, distance, (0.1, 0.1, 0.1), None, draw)
            b.lamp((out, sy, sz + 0.4), 3800, 0.5)
        y += wide


def _hall(b: _Builder, y: float, ground: float, half: float, height: float, colour, kelvin: float) -> np.ndarray:
    """The main building with a stepped clock tower; gives the clock's centre, the hold point."""
    distance = 36
    b.wall(
        (-half, y), (half, y), ground, ground + height, distance, colour, "ashlar",
        lambda c: paint.house(c, b.rng, TRIM, 3.4, False, grand=True),
    )
    roof = b.canvas(2 * half, 5, distance, (0.06, 0.08, 0.08))
    b.face((-half, y, ground + height), (2 * half, 0, 0), (0, 4, 3.4), roof, "slates")
    for x in np.arange(-half + 2.4, half, 4.0):
        if abs(x) > 5:
            b.block(x - 0.6, x + 0.6, y + 0.2, y + 2.5, ground + height + 0.2, ground + height + 2.0, distance, colour)
            top = ground + height
            lit = b.rng.random() < 0.5
            b.wall(
                (x - 0.42, y + 0.15), (x + 0.42, y + 0.15), top + 0.45, top + 1.75, distance, GLASS_WALL, None,
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
            paint.window(canvas, b.rng, x, 4.9, 1.0, max(height - 11.2, 1.4), TRIM, b.rng.random() < 0.6, True, (2, 3))
        clock_x, clock_z = middle[0] + wide, middle[2] - ground
        paint.clock(canvas, clock_x, clock_z, 1.75, b.rng)
        canvas.paint(0, height + 0.1, 2 * wide, height + 0.4, TRIM)
        canvas.soften(height - 0.35, height + 0.1, 0.5)
        for x in np.arange(0.7, 2 * wide - 1, 1.15):
            paint.window(canvas, b.rng, x, height + 0.9, 0.72, 2.3, TRIM, True, True, (1, 6), level=0.7)
        canvas.paint(0, top - ground - 0.5, 2 * wide, top - ground, TRIM)

    b.wall((-wide, front), (wide, front), ground, top, 27, colour, "ashlar", tower)
    for start, end in (((-wide, y + 5), (-wide, front)), ((wide, front), (wide, y + 5))):
        b.wall(start, end, ground, top, distance, colour, "ashlar")
    for inset, tall in ((0.7, 1.6), (1.5, 2.4), (2.5, 1.4), (3.1, 2.6)):
        r = wide - inset
        b.block(-r, r, front + inset, front + inset + 2 * r, top, top + tall, distance, np.multiply(colour, 0.8), "ashlar")
        top += tall
    for x in (-half + 2, -half + 6.5, -4.6, 4.6, half - 6.5, half - 2):  # light thrown up the front
        b.lamp((x, y - 2.6, ground + 0.3), kelvin, 4.2)
    for x in (-2.4, 2.9):
        b.lamp((x, front - 2.2, ground + height - 6.0), kelvin, 2.6)
    for x in (-2, 2):
        b.lamp((x, front - 1.5, ground + height + 2.0), kelvin + 500, 1.2)
    return middle


GLASS_WALL = (0.2, 0.2, 0.2)


def _ground(b: _Builder, x0, x1, y0, y1, z, distance, colour, detail, rough=0.16, draw=None):
    canvas = Canvas(x1 - x0, y1 - y0, b.density(distance, 26), colour, b.rng, rough)
    if draw:
        draw(canvas)
    b.face((x0, y0, z), (x1 - x0, 0, 0), (0, y1 - y0, 0), canvas, detail)


def _bench(b: _Builder, x, y, z, distance):
    wood = (0.22, 0.13, 0.07)
    b.block(x - 0.9, x + 0.9, y, y + 0.5, z + 0.40, z + 0.47, distance, wood)
    b.block(x - 0.9, x + 0.9, y + 0.46, y + 0.52, z + 0.55, z + 0.95, distance, wood)
    for dx in (-0.75, 0.7):
        b.block(x + dx, x + dx + 0.06, y + 0.05, y + 0.5, z, z + 0.4, distance, (0.05, 0.05, 0.05))


def _planter(b: _Builder, x, y, z, distance):
    b.block(x - 0.6, x + 0.6, y - 0.6, y + 0.6, z, z + 0.6, distance, (0.3, 0.28, 0.25), "plaster")
    for _ in range(9):
        dx, dy, dz, s = *b.rng.uniform(-0.35, 0.35, 2), b.rng.uniform(0, 0.6), b.rng.uniform(0.14, 0.3)
        leaf = b.rng.uniform([0.03, 0.09, 0.02], [0.09, 0.2, 0.06])
        b.block(x + dx - s, x + dx + s, y + dy - s, y + dy + s, z + 0.5, z + 0.62 + dz, distance, leaf, rough=0.5)


def _column(b: _Builder, x, y, z, distance):
    """A round column for bills, each with an invented picture."""

    def bill(canvas):
        canvas.paint(0, 0, canvas.width, 0.3, (0.1, 0.1, 0.1))
        low = 0.4
        while low < canvas.height - 0.5:
            tall = b.rng.uniform(0.35, 0.8)
            canvas.paint(0.0, low, canvas.width, low + tall - 0.03, b.rng.uniform(0.08, 0.8, 3))
            for _ in range(7):
                px, pz = b.rng.uniform(0, canvas.width * 0.8), low + b.rng.uniform(0.02, tall - 0.15)
                canvas.paint(px, pz, px + b.rng.uniform(0.04, 0.2), pz + b.rng.uniform(0.02, 0.1), b.rng.uniform(0, 0.8, 3))
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
            light = (0.34 + 0.3 * gz + 0.4 * np.exp(-(((gz - 0.92) / 0.05) ** 2)))[..., None] * lamp_rgb(4200)
            heads = gz < 0.30 + 0.16 * np.sin(gx * 9 + left * 3) * b.rng.uniform(0, 1)
            canvas.glow[where] = np.where(heads[..., None], light * 0.25, light)
            canvas.albedo[where] = paint.GLASS
            if door:
                canvas.paint(left + 0.52, 0.35, left + 0.58, 2.45, (0.05, 0.05, 0.05))
        canvas.paint(0, 2.6, canvas.width, 2.75, (0.6, 0.56, 0.42))

    def front(canvas):
        w = canvas.width
        canvas.paint(0, 0, w, 0.3, (0.05, 0.05, 0.05))
        where, gx, gz = canvas.grid(0.25, 1.2, w - 0.25, 2.4)
        canvas.glow[where] = (0.10 + 0.3 * gz)[..., None] * lamp_rgb(4200)
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
    def road(canvas):
        for x in np.arange(0, canvas.width, 3.2):
            canvas.paint(x, canvas.height / 2 - 0.06, x + 1.6, canvas.height / 2 + 0.06, (0.45, 0.45, 0.42))

    def crossing(canvas):
        for x in np.arange(0.2, canvas.width, 1.0):
            canvas.paint(x, 0, x + 0.5, canvas.height, (0.42, 0.42, 0.38))

    _ground(b, left - 1, right + 1, -6, 39, 0, 9, (0.15, 0.14, 0.13), "cobbles")
    _ground(b, -60, 60, 39, 44, -0.02, 26, (0.075, 0.075, 0.08), "asphalt", draw=road)
    _ground(b, -2.5, 4.5, 39.2, 43.8, -0.015, 26, (0.085, 0.085, 0.085), "asphalt", draw=crossing)
    _ground(b, -30, 30, 44, 47, 0.0, 26, (0.22, 0.2, 0.17), "paving")
    _ground(b, -80, 80, 47, 120, -0.05, 60, (0.08, 0.08, 0.08), None)
    # raised pavements with kerbs
    for x0, x1 in ((left - 1, left + 2.4), (right - 3.0, right + 1)):
        _ground(b, x0, x1, -6, 38.8, 0.13, 10, (0.2, 0.185, 0.165), "paving")
    for start, end in (((left + 2.4, -6), (left + 2.4, 38.8)), ((right - 3.0, 38.8), (right - 3.0, -6))):
        b.wall(start, end, 0, 0.13, 10, (0.33, 0.32, 0.3), None)
    for x in (-6.95, -5.5, -2.3, -0.85):  # rails
        _ground(b, x - 0.05, x + 0.05, -6, 39, 0.012, 14, (0.3, 0.3, 0.32), None)
        for edge in (-0.09, 0.06):
            _ground(b, x + edge, x + edge + 0.03, -6, 39, 0.010, 14, (0.02, 0.02, 0.02), None)
    for index, y in enumerate(np.arange(3.0, 38, 2.6)):
        for x in (-3.4, 5.0):
            if b.rng.random() < 0.8:
                b.post(x + b.rng.uniform(-0.05, 0.05), y, 0, 0.95, 0.10, 6, (0.10, 0.10, 0.11))
                b.post(x, y, 0.95, 1.03, 0.125, 6, (0.42, 0.40, 0.34))
    _column(b, 6.6, 15.5, 0, 9)
    _column(b, 7.2, 34.0, 0, 20)
    _column(b, -8.4, 16.0, 0.13, 12)
    for y in (10.5, 20.0, 27.5):
        _bench(b, 6.7, y, 0, 8)
    for x, y in ((6.6, 22.5), (6.8, 30.5), (-8.6, 20.5), (4.9, 38.0), (-3.4, 38.0), (2.4, 9.0)):
        _planter(b, x, y, 0, 9)
    # a kiosk under its own light
    b.block(5.9, 8.1, 24.0, 26.0, 0, 2.3, 14, (0.10, 0.2, 0.17))
    b.block(5.5, 8.5, 23.5, 26.3, 2.3, 2.5, 14, (0.1, 0.1, 0.09))
    b.wall((5.95, 23.97), (8.05, 23.97), 0, 2.28, 14, (0.12, 0.24, 0.2), None, lambda c: paint.shop(c, b.rng, 0, 0, c.width, c.height, (0.12, 0.26, 0.2)))
    b.lamp((7, 22.9, 1.9), 3300, 2.2)
    for x, y, tall in ((-3.4, 8.5, 2.8), (5.0, 13.0, 2.6), (5.1, 27.0, 2.7)):
        _signpost(b, x, y, tall)
    _skyline(b, -70, 70, 78, 0, 9, 17)
    _sky(b)
    stand = np.array([0.6, 7.5, 1.6])
    return Town(b.bake(), hold, stand, (40.4, 42.6, -0.02), (-4.5, 8.0, 12.0, 38.0), lambda x, y: 0.0)


def _signpost(b: _Builder, x, y, tall):
    b.post(x, y, 0, tall, 0.04, 8, (0.25, 0.25, 0.26))

    def plate(canvas):
        canvas.paint(0.03, 0.03, canvas.width - 0.03, canvas.height - 0.03, b.rng.uniform([0.05, 0.1, 0.3], [0.5, 0.3, 0.6]))
        canvas.paint(0.12, 0.12, 0.3, canvas.height - 0.12, (0.7, 0.7, 0.66))
        canvas.paint(0.36, 0.2, canvas.width - 0.1, 0.3, (0.7, 0.7, 0.66))

    b.wall((x - 0.32, y - 0.06), (x + 0.32, y - 0.06), tall - 0.75, tall - 0.1, 8, (0.7, 0.7, 0.7), None, plate)


def _stairs(b: _Builder) -> Town:
    return _square(b)
