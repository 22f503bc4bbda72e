"""What stands in the streets and lies about them: ground, seats, stalls, a tram, a ferry, water, the sky."""

from functools import partial

import cv2
import numpy as np

from demo import paint
from demo.camera import lamp_rgb
from demo.paint import Canvas
from demo.town import Builder


def ground(b: Builder, x0, x1, y0, y1, z, distance, colour, detail, rough=0.16, draw=None):
    """A level piece of ground, which shows the shade under things; coarse, as its tile has the grain."""
    canvas = Canvas(x1 - x0, y1 - y0, b.density(distance, 26), colour, b.rng, rough)
    if draw:
        draw(canvas)
    b.grounds.append(len(b.faces))
    b.face((x0, y0, z), (x1 - x0, 0, 0), (0, y1 - y0, 0), canvas, detail)


def bench(b: Builder, x, y, z, distance):
    wood = (0.22, 0.13, 0.07)
    b.block(x - 0.9, x + 0.9, y, y + 0.5, z + 0.40, z + 0.47, distance, wood)
    b.block(x - 0.9, x + 0.9, y + 0.46, y + 0.52, z + 0.55, z + 0.95, distance, wood)
    for dx in (-0.75, 0.7):
        b.block(x + dx, x + dx + 0.06, y + 0.05, y + 0.5, z, z + 0.4, distance, (0.05, 0.05, 0.05))


def planter(b: Builder, x, y, z, distance):
    b.block(x - 0.6, x + 0.6, y - 0.6, y + 0.6, z, z + 0.6, distance, (0.3, 0.28, 0.25), "plaster")
    for _ in range(11):
        dx, dy, dz, s = *b.rng.uniform(-0.35, 0.35, 2), b.rng.uniform(0, 0.6), b.rng.uniform(0.14, 0.3)
        leaf = b.rng.uniform([0.03, 0.09, 0.02], [0.09, 0.2, 0.06])
        b.post(x + dx, y + dy, z + 0.5, z + 0.62 + dz, s, distance, leaf, 5, partial(paint.leaves, rng=b.rng))


def column(b: Builder, x, y, z, distance):
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


def signpost(b: Builder, x, y, tall):
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

    b.wall((x - 0.32, y - 0.06), (x + 0.32, y - 0.06), tall - 0.75, tall - 0.1, 8, (0.7, 0.7, 0.7), None, plate)


def handrail(b: Builder, x, y0, y1, rise):
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


def kiosk(b: Builder, x, y):
    """A small stall under its own light."""
    b.block(x, x + 2.2, y, y + 2.0, 0, 2.3, 14, (0.10, 0.2, 0.17))
    b.block(x - 0.4, x + 2.6, y - 0.5, y + 2.3, 2.3, 2.5, 14, (0.1, 0.1, 0.09))

    def front(canvas):
        paint.shop(canvas, b.rng, 0, 0, canvas.width, canvas.height, (0.12, 0.26, 0.2))

    b.wall((x + 0.05, y - 0.03), (x + 2.15, y - 0.03), 0, 2.28, 14, (0.12, 0.24, 0.2), None, front)
    b.lamp((x + 1.1, y - 1.1, 1.9), 3300, 2.2)


def tram(b: Builder, x0, x1, y0, y1):
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


def ferry(b: Builder, x0, x1, y0, y1, z):
    """A moored ferry, stern to the bridge: hull, two decks with lit windows, a funnel, a string of lamps."""

    def deck(canvas):
        for left in np.arange(0.4, canvas.width - 0.9, 1.25):
            paint.window(canvas, b.rng, left, 0.9, 0.85, 1.0, (0.5, 0.5, 0.46), b.rng.random() < 0.8, False, (1, 1))

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


def water(b: Builder, x0, x1, y0, y1, z):
    """Dark water with the broken reflections of lights beyond it, drawn out towards the photographer."""
    canvas = Canvas(x1 - x0, y1 - y0, b.density(60, 12), (0.012, 0.014, 0.016), b.rng, 0.3)
    where, gx, gz = canvas.grid(0, 0, x1 - x0, y1 - y0)
    ripples = cv2.resize(paint.grain((gx.shape[0], 256), b.rng, 0.7), gx.shape[::-1], interpolation=cv2.INTER_LINEAR)
    light = np.full((*gx.shape, 3), 0.005, np.float32) * [0.8, 0.9, 1.2]
    for _ in range(90):
        cx, wide = b.rng.random(), b.rng.uniform(0.002, 0.006)
        colour = lamp_rgb(b.rng.choice([2300, 2800, 3600, 7000])) * b.rng.uniform(0.02, 0.16)
        streak = np.exp(-(((gx - cx) / wide + 0.7 * ripples) ** 2)) * np.clip(gz - b.rng.uniform(0.1, 0.6), 0, 1)
        light += (streak * np.clip(0.6 + 0.9 * ripples, 0, 3))[..., None] * colour
    canvas.glow[where] = light
    b.face((x0, y0, z), (x1 - x0, 0, 0), (0, y1 - y0, 0), canvas)


def sky(b: Builder):
    """A far backdrop: the town's glow low down, a darker blue above, torn thin clouds."""
    canvas = Canvas(1400, 500, 0.75, (0, 0, 0), b.rng, 0)
    _, gx, gz = canvas.grid(0, 0, 1400, 500)
    glow = np.exp(-gz / 0.16)[..., None] * [0.030, 0.022, 0.018] + [0.0062, 0.0072, 0.0098]
    clouds = np.clip(paint.grain(gx.shape, b.rng, 1.25) * 0.5 + 0.25, 0, 2) * (0.35 + np.exp(-gz / 0.25))
    canvas.glow[:] = glow * (1 + 0.75 * clouds[..., None] * [1.1, 1.0, 0.92])
    b.face((-700, 420, -20), (1400, 0, 0), (0, 0, 500), canvas)
