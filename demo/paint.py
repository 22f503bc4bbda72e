"""Painting of walls, windows, clocks and ground: arrays in linear BT.709, no town geometry.

A canvas has its origin at the bottom left; x runs right and z up, in metres; row 0 is the bottom.
"""

from functools import cache
from itertools import pairwise

import numpy as np

from demo.camera import lamp_rgb

STEP = 32  # sides of large canvases are multiples of this, so that the pyramid has at least six levels
GLASS = np.array([0.020, 0.024, 0.030])


def grain(shape: tuple[int, int], rng: np.random.Generator, slope: float = 1.0) -> np.ndarray:
    """Periodic noise with detail at every scale (amplitude as 1 / frequency^slope); mean 0, deviation 1."""
    h, w = shape
    spectrum = np.fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    frequency = np.hypot(np.fft.fftfreq(h)[:, None] * h, np.fft.rfftfreq(w) * w)
    frequency[0, 0] = np.inf
    noise = np.fft.irfft2(spectrum / frequency**slope, s=shape)
    return (noise / noise.std()).astype(np.float32)


@cache
def _stains(slope: float) -> np.ndarray:
    """(1024, 1024) periodic noise to cut surfaces from: one transform instead of thousands."""
    return grain((1024, 1024), np.random.default_rng([1618, int(100 * slope)]), slope)


def _cut(slope: float, shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """A piece of the noise at a random place."""
    noise = _stains(slope)
    rows, columns = (np.arange(n) + rng.integers(1024) for n in shape)
    return noise.take(rows, axis=0, mode="wrap").take(columns, axis=1, mode="wrap")


def _side(texels: float) -> int:
    """A canvas side of at least so many texels that can be halved often."""
    if texels <= 2 * STEP:
        return 1 << max(int(np.ceil(np.log2(max(texels, 1)))), 3)
    return int(np.ceil(texels / STEP)) * STEP


class Canvas:
    """A surface of width x height metres: `albedo` and `glow` (own light), each (h, w, 3) float32."""

    def __init__(self, width: float, height: float, density: float, colour, rng: np.random.Generator, rough=0.12):
        sides = _side(height * density), _side(width * density)
        self.scale_x, self.scale_z = sides[1] / width, sides[0] / height
        self.width, self.height = width, height
        stains = 1 + rough * _cut(1.0, sides, rng) + 0.6 * rough * _cut(0.5, sides, rng)
        self.albedo = np.clip(stains, 0.3, 2)[..., None] * np.asarray(colour, np.float32)
        self.glow = np.zeros_like(self.albedo)

    def area(self, x0: float, z0: float, x1: float, z1: float) -> tuple[slice, slice]:
        """Index of the texels within a rectangle, at least one where it lies on the canvas."""
        rows = self._span(z0, z1, self.scale_z, self.albedo.shape[0])
        return rows, self._span(x0, x1, self.scale_x, self.albedo.shape[1])

    def paint(self, x0, z0, x1, z1, colour=None, glow=None):
        """Cover a rectangle with a colour that keeps the wall's stains, or with own light."""
        where = self.area(x0, z0, x1, z1)
        if colour is not None:
            patch = self.albedo[where]
            if patch.size:
                grey = patch.mean(-1, keepdims=True)
                patch[:] = np.asarray(colour, np.float32) * (0.55 + 0.45 * grey / max(float(grey.mean()), 1e-6))
        self.glow[where] = 0 if glow is None else glow

    def shade(self, x0, z0, x1, z1, factor: float):
        """Darken or lighten a rectangle."""
        self.albedo[self.area(x0, z0, x1, z1)] *= factor

    def soften(self, z0: float, z1: float, low: float):
        """A shadow that is deepest (factor `low`) at z1 and gone at z0."""
        rows, _ = self.area(0, z0, 1, z1)
        count = self.albedo[rows].shape[0]
        self.albedo[rows] *= np.linspace(1, low, count, dtype=np.float32)[:, None, None]

    def grid(self, x0, z0, x1, z1):
        """Index of a rectangle and, for its texels, x and z from 0 to 1."""
        where = self.area(x0, z0, x1, z1)
        h, w = self.albedo[where].shape[:2]
        z, x = np.mgrid[0:h, 0:w].astype(np.float32)
        return where, (x + 0.5) / max(w, 1), (z + 0.5) / max(h, 1)

    @staticmethod
    def _span(low: float, high: float, scale: float, size: int) -> slice:
        first = min(max(round(low * scale), 0), size)
        return slice(first, max(min(round(high * scale), size), min(first + 1, size)))


def window(canvas: Canvas, rng, x, z, w, h, trim, lit: bool, arched=False, panes=(2, 3), level=1.0):
    """A window with surround, sill and glazing bars; lit from a room, or dark."""
    edge = min(0.14, 0.14 * w)
    canvas.paint(x - edge, z - 0.05, x + w + edge, z + h + edge, trim)
    canvas.shade(x - edge, z + h + edge, x + w + edge, z + h + edge + 0.07, 1.25)
    canvas.paint(x - 1.6 * edge, z - 0.16, x + w + 1.6 * edge, z - 0.02, np.multiply(trim, 1.15))
    canvas.shade(x - 1.2 * edge, z - 0.45, x + w + 1.2 * edge, z - 0.16, 0.6)
    where, gx, gz = canvas.grid(x, z, x + w, z + h)
    inside = np.ones(gx.shape, bool)
    if arched:
        rise = 0.5 * w / h
        over = np.maximum(gz - (1 - rise), 0) / rise
        inside = (2 * gx - 1) ** 2 + over**2 < 1
    bars = np.zeros(gx.shape, bool)
    for axis, count, metres in ((gx, panes[0], w), (gz, panes[1], h)):
        bars |= np.abs((axis * count + 0.5) % 1 - 0.5) < 0.5 * 0.055 * count / metres
    glass = inside & ~bars
    canvas.albedo[where][glass] = GLASS * rng.uniform(0.6, 1.6)
    light = _room(rng, gx, gz) * level if lit else _reflection(rng, gx, gz)
    canvas.glow[where][glass] = light[glass]


def _room(rng, gx, gz) -> np.ndarray:
    """(h, w, 3) light of a lived-in room behind a window."""
    kelvin = rng.choice([2300, 2600, 2800, 3000, 3400, 4300, 6000], p=[0.16, 0.24, 0.22, 0.16, 0.1, 0.08, 0.04])
    colour = lamp_rgb(kelvin) * rng.choice([0.15, 0.3, 0.46, 0.66], p=[0.25, 0.35, 0.28, 0.12])
    light = 0.45 + 0.55 * gz
    cx, cz = rng.uniform(0.2, 0.8), rng.uniform(0.45, 0.8)
    light += 0.9 * np.exp(-((gx - cx) ** 2 + 1.6 * (gz - cz) ** 2) / rng.uniform(0.01, 0.06))
    kind = rng.choice(5, p=[0.28, 0.22, 0.2, 0.07, 0.23])
    if kind in (0, 1):  # curtains drawn to the sides
        fold = rng.uniform(0.1, 0.32)
        cloth = np.abs(gx - 0.5) > 0.5 - fold * (0.6 + 0.4 * gz)
        folds = 0.42 + 0.22 * np.sin(gx * rng.uniform(40, 90) + 2 * np.sin(3 * gz))
        light = np.where(cloth, light * folds, light)
        if kind == 1:
            colour = colour * np.array([1, rng.uniform(0.75, 1), rng.uniform(0.6, 1)])
    elif kind == 2:  # a blind drawn down part of the way
        slats = 0.55 + 0.2 * np.sin(gz * rng.uniform(60, 110))
        light = np.where(gz > rng.uniform(0.2, 0.8), slats, light)
    elif kind == 3:  # shelves and things on them
        shelf = (gz * 5).astype(int)
        height = (np.sin(gx * 37 + shelf * 5.1) + np.sin(gx * 91 + shelf * 2.7)) * 0.2 + 0.4
        light = np.where((gz * 5) % 1 < height, light * 0.35, light)
    if rng.random() < 0.5:  # plants and chairs against the light
        stand = 0.08 + 0.07 * np.sin(gx * rng.uniform(5, 11) + rng.uniform(0, 6)) * rng.uniform(0.2, 1)
        stand += 0.05 * np.sin(gx * rng.uniform(23, 41)) * (gx > rng.random())
        light = np.where(gz < stand, light * 0.22, light)
    return light[..., None] * colour


def _reflection(rng, gx, gz) -> np.ndarray:
    """(h, w, 3) what a dark window returns of the street."""
    tilt = rng.uniform(-1, 1)
    sheen = 0.004 + 0.010 * np.clip(gz + tilt * (gx - 0.5), 0, 1)
    streak = rng.random() < 0.4
    sheen = sheen + streak * 0.05 * np.exp(-(((gx - rng.uniform(0.2, 0.8)) / 0.06) ** 2) - ((gz - 0.4) / 0.3) ** 2)
    return sheen[..., None] * lamp_rgb(rng.choice([3000, 4500, 9000]))


def shop(canvas: Canvas, rng, x, z, w, h, trim):
    """A shop: board with invented signs, awning now and then, a bright window with goods, a door."""
    colour = lamp_rgb(rng.choice([2700, 3200, 4000, 5000])) * rng.uniform(0.3, 0.55)
    canvas.paint(x, z, x + w, z + h, trim)
    door = rng.uniform(0.05, 0.72)
    where, gx, gz = canvas.grid(x + 0.15, z + 0.45, x + w - 0.15, z + h - 0.75)
    light = 0.5 + 0.6 * gz
    for shelf in (0.02, 0.27, 0.5):  # goods in front of the light
        for cx in np.arange(rng.uniform(0, 0.05), 1, 0.3 / w):
            half, top = rng.uniform(0.03, 0.12) / w, shelf + rng.uniform(0.05, 0.2)
            tint = rng.uniform(0.1, 1.1)
            light = np.where((np.abs(gx - cx) < half) & (gz > shelf) & (gz < top), light * tint, light)
        light = np.where(np.abs(gz - shelf) < 0.012, light * 0.2, light)
    for cx in np.arange(0.1, 1, 0.2):  # its lamps
        light += 1.1 * np.exp(-((gx - cx) ** 2 * (w / h) ** 2 + (gz - 0.93) ** 2) / 0.003)
    tints = 1 + 0.13 * np.stack([np.sin(gx * k + gz * j) for k, j in ((17, 5), (23, 9), (31, 3))], -1)
    canvas.glow[where] = light[..., None] * colour * tints
    canvas.albedo[where] = GLASS
    for bar in np.arange(x + 0.15, x + w, max(w / 5, 0.7)):
        canvas.paint(bar - 0.04, z + 0.4, bar + 0.04, z + h - 0.7, np.multiply(trim, 0.5))
    left = x + 0.2 + door * (w - 1.4)
    canvas.paint(left, z, left + 1.0, z + 2.25, np.multiply(trim, 0.4))
    canvas.paint(left + 0.18, z + 0.9, left + 0.82, z + 2.05, GLASS, glow=colour * 0.7)
    board(canvas, rng, x + 0.1, z + h - 0.68, w - 0.2, 0.56)
    if rng.random() < 0.5:
        a, b = rng.uniform(0.1, 0.5, 3), rng.uniform(0.3, 0.6)
        where, gx, gz = canvas.grid(x, z + h - 1.35, x + w, z + h - 0.72)
        stripes = ((gx * w / 0.4) % 1 < 0.5)[..., None]
        cloth = np.where(stripes, a, b) * (0.5 + 0.6 * gz[..., None])
        scallop = gz > 0.14 * np.abs(np.sin(gx * w / 0.4 * np.pi))
        canvas.albedo[where][scallop] = cloth[scallop]
        canvas.glow[where][scallop] = 0.05 * cloth[scallop] * colour


def leaves(canvas: Canvas, rng):
    """Foliage: spots of many greens, dark between them."""
    canvas.albedo *= 0.5
    for _ in range(int(90 * canvas.width * canvas.height) + 8):
        x, z, s = rng.uniform(0, canvas.width), rng.uniform(0, canvas.height), rng.uniform(0.02, 0.07)
        canvas.paint(x - s, z - s, x + s, z + 0.7 * s, rng.uniform([0.02, 0.06, 0.01], [0.13, 0.24, 0.08]))


def board(canvas: Canvas, rng, x, z, w, h):
    """A sign board with rows of made-up marks (no letters of any script), some of them lit."""
    ground = rng.uniform(0.02, 0.2, 3)
    canvas.paint(x, z, x + w, z + h, ground)
    ink = lamp_rgb(rng.choice([2700, 4000, 7000])) * np.clip(rng.uniform(0.3, 1.3, 3), 0, 1)
    level = rng.choice([0.06, 0.3, 0.55])
    size, left = 0.55 * h, x + 0.4 * h
    while left + size < x + w - 0.3 * h:
        for _ in range(3):
            px, pz = rng.integers(0, 3, 2) / 3
            wide, tall = (0.22, 0.66) if rng.random() < 0.5 else (0.6, 0.2)
            x0, z0 = left + px * size * 0.6, z + 0.22 * h + pz * size * 0.6
            canvas.paint(x0, z0, x0 + wide * size, z0 + tall * size, (0.5, 0.5, 0.45), glow=ink * level)
        left += size * rng.choice([1.2, 1.2, 1.2, 2.0])


def house(canvas: Canvas, rng, trim, storeys: float, shops: bool, grand=False):
    """A town house front: plinth or shops, windows in bays of unequal width, string courses, cornice."""
    w, h = canvas.width, canvas.height
    base = min(rng.uniform(3.5, 4.3), 0.45 * h)
    eaves = h - rng.uniform(0.5, 0.9)
    count = max(int((eaves - base) / storeys), 1)
    storey = (eaves - base) / count
    bays = max(int(w / rng.uniform(1.9, 3.0)), 1)
    edges = np.concatenate([[0], np.cumsum(rng.uniform(0.8, 1.25, bays))])
    edges = 0.45 + edges / edges[-1] * (w - 0.9)
    for x in (0.0, w - 0.55):  # corner stones
        for index, z in enumerate(np.arange(0, eaves, 0.42)):
            wide = 0.55 if index % 2 else 0.36
            left = x if x == 0 else w - wide
            canvas.paint(left, z, left + wide, z + 0.38, np.multiply(trim, rng.uniform(0.8, 1.1)))
    canvas.paint(0, 0, w, 0.7, np.multiply(trim, 0.45))
    if shops:
        left = 0.3
        while left < w - 2.2:
            wide = min(rng.uniform(2.8, 5.5), w - 0.3 - left)
            shop(canvas, rng, left, 0.08, wide - 0.25, base - 0.5, rng.uniform(0.05, 0.3, 3))
            left += wide
    else:
        for left, right in pairwise(edges):
            inner = min(0.72 * (right - left), 1.5)
            middle = (left + right) / 2
            lit = rng.random() < 0.5
            window(canvas, rng, middle - inner / 2, 0.9, inner, base - 1.6, trim, lit, arched=grand, panes=(2, 4))
    for floor in range(count):
        z = base + floor * storey
        canvas.paint(0, z - 0.22, w, z - 0.02, trim)
        canvas.soften(z - 0.6, z - 0.22, 0.55)
        tall = storey * rng.uniform(0.52, 0.64) * (1.12 if floor == 0 else 1)
        arched = rng.random() < (0.6 if grand else 0.25)
        panes = (int(rng.choice([2, 2, 3])), int(rng.choice([2, 3, 4])))
        for left, right in pairwise(edges):
            if not grand and rng.random() < 0.07:
                continue
            inner = min(rng.uniform(0.46, 0.56) * (right - left), 1.7)
            x = (left + right) / 2 - inner / 2
            window(canvas, rng, x, z + 0.22 * storey, inner, tall, trim, rng.random() < 0.42, arched, panes)
            if rng.random() < 0.14:  # a balcony rail with flower boxes
                rail = canvas.area(x - 0.25, z + 0.1, x + inner + 0.25, z + 0.75)
                canvas.albedo[rail][:, ::3] = 0.03
                canvas.glow[rail][:, ::3] = 0
                leaf = rng.uniform([0.02, 0.08, 0.01], [0.3, 0.2, 0.08])
                canvas.paint(x - 0.25, z + 0.65, x + inner + 0.25, z + 0.88, leaf)
        if rng.random() < 0.3 and not grand:
            board(canvas, rng, rng.uniform(0.5, max(w - 3, 0.6)), z - 0.75, 2.2, 0.5)
    canvas.paint(0, eaves, w, eaves + 0.2, trim)
    canvas.paint(0, eaves + 0.2, w, h, np.multiply(trim, 0.8))
    for x in np.arange(0.1, w, 0.5):
        canvas.shade(x, eaves - 0.25, x + 0.22, eaves, 0.45)
    canvas.soften(eaves - 1.1, eaves - 0.25, 0.6)


def clock(canvas: Canvas, x: float, z: float, radius: float, rng):
    """A lit clock face about (x, z): ring, hour and minute marks, hands that stand at eight past ten."""
    where, gx, gz = canvas.grid(x - 1.3 * radius, z - 1.3 * radius, x + 1.3 * radius, z + 1.3 * radius)
    px, pz = (gx - 0.5) * 2.6, (gz - 0.5) * 2.6
    r, angle = np.hypot(px, pz), np.arctan2(px, pz)
    stone = (r < 1.28) & (r >= 1.06)
    blocks = 0.32 + 0.12 * (np.floor((angle / np.pi + 1) * 12) % 2)
    canvas.albedo[where][stone] = (blocks[..., None] * [1.0, 0.94, 0.82])[stone]
    canvas.glow[where][stone] = 0
    face = r < 1.06
    pattern = 0.34 + 0.05 * np.cos(angle * 24) * (r < 0.5) - 0.08 * r + 0.015 * grain(r.shape, rng)
    minute = np.abs((angle / (2 * np.pi) * 60 + 0.5) % 1 - 0.5) / 60 * 2 * np.pi * r
    hour = np.abs((angle / (2 * np.pi) * 12 + 0.5) % 1 - 0.5) / 12 * 2 * np.pi * r
    dark = (r > 0.99) | ((r > 0.9) & (minute < 0.016)) | ((r > 0.68) & (r < 0.95) & (hour < 0.045))
    dark |= np.abs(r - 0.62) < 0.014
    dark |= np.abs(r - 0.3) < 0.01
    for turn, length, half in ((10 + 8 / 60) / 12, 0.55, 0.05), (8 / 60, 0.86, 0.032):
        s, c = np.sin(2 * np.pi * turn), np.cos(2 * np.pi * turn)
        along, across = px * s + pz * c, np.abs(px * c - pz * s)
        dark |= (along > -0.18) & (along < length) & (across < half * (1.2 - 0.7 * along / length))
    dark |= r < 0.075
    canvas.albedo[where][face] = 0.03
    light = np.where(dark, 0.006, pattern)[..., None] * lamp_rgb(3900)
    canvas.glow[where][face] = light[face]


def detail_tiles() -> dict[str, tuple[float, np.ndarray]]:
    """Name: (side in metres, (n, n) float32 factors of mean 1), periodic: what stands in for near detail."""
    rng = np.random.default_rng(2718)
    return {
        "plaster": (3.0, _level(1 + 0.10 * grain((512, 512), rng, 0.6))),
        "brick": (2.0, _courses(rng, 512, rows=26, columns=8, joint=0.13, spread=0.2, offset=0.5)),
        "ashlar": (3.2, _courses(rng, 512, rows=8, columns=4, joint=0.035, spread=0.1, offset=0.5)),
        "paving": (4.0, _courses(rng, 1024, rows=10, columns=8, joint=0.05, spread=0.16, offset=0.37)),
        "cobbles": (2.4, _courses(rng, 1024, rows=18, columns=16, joint=0.16, spread=0.24, offset=0.5)),
        "asphalt": (3.0, _level(1 + 0.16 * grain((1024, 1024), rng, 0.35))),
        "slates": (2.4, _courses(rng, 512, rows=12, columns=10, joint=0.1, spread=0.25, offset=0.5)),
    }


def _courses(rng, side, rows, columns, joint, spread, offset) -> np.ndarray:
    """Bonded blocks, each of its own shade, with darker joints and worn edges; periodic."""
    z, x = np.mgrid[0:side, 0:side] / side
    row = np.floor(z * rows).astype(int)
    x = x * columns + offset * (row % 2)
    column = np.floor(x).astype(int) % columns
    fx, fz = x % 1, (z * rows) % 1
    stretch = rows / columns  # a block is this many times wider than high; joints have one width
    gap = np.minimum(np.minimum(fx, 1 - fx) * stretch, np.minimum(fz, 1 - fz)) / joint
    shade = 1 + spread * rng.uniform(-1, 1, (rows, columns))[row, column]
    crown = 0.35 + 0.65 * np.clip(gap, 0, 1) ** 0.7
    tilt = 1 + 0.25 * spread * (fz - 0.5)
    return _level(shade * crown * tilt * (1 + 0.07 * grain((side, side), rng, 0.5)))


def _level(tile: np.ndarray) -> np.ndarray:
    return (np.clip(tile, 0.05, 3) / np.clip(tile, 0.05, 3).mean()).astype(np.float32)
