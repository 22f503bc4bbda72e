"""Buildings: rows of town houses, a hall with a clock tower, a far skyline."""

from functools import partial

import numpy as np

from demo import paint
from demo.camera import lamp_rgb
from demo.town import Builder

PLASTERS = [
    (0.52, 0.36, 0.22),
    (0.46, 0.42, 0.34),
    (0.40, 0.20, 0.14),
    (0.30, 0.36, 0.36),
    (0.55, 0.46, 0.30),
    (0.36, 0.30, 0.26),
    (0.50, 0.30, 0.24),
    (0.34, 0.38, 0.28),
]
TRIM = np.array([0.52, 0.48, 0.40])
GLASS_WALL = (0.2, 0.2, 0.2)


def row(b: Builder, side: int, x: float, y0: float, y1: float):
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
            tint = lamp_rgb(b.rng.choice([2400, 4000, 8000])) * b.rng.uniform([0.2, 0.2, 0.2], [0.8, 0.7, 0.7])
            out = front - side * 0.95
            a, c = sorted((front - side * 0.1, out))

            def draw(canvas, tint=tint):
                canvas.paint(0, 0, canvas.width, canvas.height, (0.1, 0.1, 0.1), glow=tint * 0.5)
                paint.board(canvas, b.rng, 0.08, 0.1, canvas.width - 0.16, canvas.height - 0.2)

            b.wall((a, sy), (c, sy), sz, sz + 0.8, distance, (0.1, 0.1, 0.1), None, draw)
            b.lamp((out, sy, sz + 0.4), 3800, 0.5)
        y += wide


def hall(b: Builder, y: float, ground: float, half: float, height: float, colour, kelvin: float) -> np.ndarray:
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
            paint.window(canvas, b.rng, x, 4.9, 1.0, max(height - 11.2, 1.4), TRIM, b.rng.random() < 0.6, True, (2, 3))
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


def skyline(b: Builder, x0, x1, y, base, low, high, lit=0.3):
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
