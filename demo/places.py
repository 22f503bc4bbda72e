"""The places of the demo, all invented, at night: a tram square, a ferry house with stairs, a mill of equal windows."""

import numpy as np

from demo import furniture, houses, paint
from demo.paint import Canvas
from demo.town import Builder, Town

# The grey board before the hall of the square: (x, z) of its lower left and its upper right corner, and y; metres.
CARD = (1.7, 0.1), (4.1, 2.5), 43.6


def build(name: str, focal: float, seed: int, card: bool = False) -> Town:
    """The place `name` ("square", "stairs" or "mill"), with textures fine enough for a focal length in pixels.

    card: whether a plain grey board stands before the hall of the square.
    """
    builder = Builder(focal, np.random.default_rng([seed, 1]))
    if card:
        (x0, z0), (x1, z1), y = CARD
        plain = Canvas(x1 - x0, z1 - z0, builder.density(36), (0.3, 0.3, 0.3), np.random.default_rng(0), rough=0)
        builder.face((x0, y, z0), (x1 - x0, 0, 0), (0, 0, z1 - z0), plain)
    return {"square": _square, "stairs": _stairs, "mill": _mill}[name](builder)


def _square(b: Builder) -> Town:
    """A square that narrows to a clock tower 46 m from the start; shops on both sides, a tram at its stop."""
    left, right, back = -10.0, 11.5, 46.0
    for y in (3, 12, 21, 30):
        b.street_lamp(-3.4, y + 1.5, 0, 4.3, 2750, 7.5, 10)
        b.street_lamp(5.0, y + 5.5, 0, 4.6, 3050, 8.0, 10)
    for x in (-9, 10):
        b.street_lamp(x, 43.8, 0, 5.0, 2900, 8.0, 30)
    hold = houses.hall(b, back, 0, 14.5, 12.2, (0.50, 0.40, 0.27), 3000)
    houses.row(b, -1, left, 4, 38.5)
    houses.row(b, 1, right, 4, 38.5)
    furniture.tram(b, -7.4, -5.0, 19.0, 37.0)

    def crossing(canvas):
        for x in np.arange(0.2, canvas.width, 1.0):
            canvas.paint(x, 0, x + 0.5, canvas.height, (0.42, 0.42, 0.38))

    furniture.ground(b, left - 1, right + 1, -6, 39, 0, 9, (0.15, 0.14, 0.13), "cobbles")
    furniture.ground(b, -60, 60, 39, 44, -0.02, 26, (0.075, 0.075, 0.08), "asphalt", draw=_road_marks)
    furniture.ground(b, -2.5, 4.5, 39.2, 43.8, -0.015, 26, (0.085, 0.085, 0.085), "asphalt", draw=crossing)
    furniture.ground(b, -30, 30, 44, 47, 0.0, 26, (0.22, 0.2, 0.17), "paving")
    furniture.ground(b, -80, 80, 47, 120, -0.05, 400, (0.08, 0.08, 0.08), None)
    # raised pavements with kerbs
    for x0, x1 in ((left - 1, left + 2.4), (right - 3.0, right + 1)):
        furniture.ground(b, x0, x1, -6, 38.8, 0.13, 10, (0.2, 0.185, 0.165), "paving")
    for start, end in (((left + 2.4, -6), (left + 2.4, 38.8)), ((right - 3.0, 38.8), (right - 3.0, -6))):
        b.wall(start, end, 0, 0.13, 10, (0.33, 0.32, 0.3), None)
    for x in (-6.95, -5.5, -2.3, -0.85):  # rails
        furniture.ground(b, x - 0.05, x + 0.05, -6, 44, 0.012, 14, (0.3, 0.3, 0.32), None)
        for edge in (-0.09, 0.06):
            furniture.ground(b, x + edge, x + edge + 0.03, -6, 44, 0.010, 14, (0.02, 0.02, 0.02), None)
    for y in np.arange(3.0, 38, 2.6):
        for x in (-3.4, 5.0):
            if b.rng.random() < 0.8:
                b.post(x + b.rng.uniform(-0.05, 0.05), y, 0, 0.95, 0.10, 6, (0.10, 0.10, 0.11))
                b.post(x, y, 0.95, 1.03, 0.125, 6, (0.42, 0.40, 0.34))
    furniture.column(b, 6.6, 15.5, 0, 9)
    furniture.column(b, 7.2, 34.0, 0, 20)
    furniture.column(b, -8.4, 16.0, 0.13, 12)
    for y in (10.5, 20.0, 27.5):
        furniture.bench(b, 6.7, y, 0, 8)
    for x, y in ((6.6, 22.5), (6.8, 30.5), (-8.6, 20.5), (4.9, 38.0), (-3.4, 38.0)):
        furniture.planter(b, x, y, 0, 9)
    furniture.kiosk(b, 5.9, 24.0)
    for x, y, tall in ((-3.4, 8.5, 2.8), (5.0, 13.0, 2.6), (5.1, 27.0, 2.7)):
        furniture.signpost(b, x, y, tall)
    houses.skyline(b, -70, 70, 78, 0, 9, 17)
    furniture.sky(b)
    stand = np.array([0.6, 7.5, 1.6])
    return Town(b.bake(), hold, stand, (40.4, 42.6, -0.02), (-4.5, 8.0, 12.0, 38.0), (0, 1, 0))


def _stairs(b: Builder) -> Town:
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
    hold = houses.hall(b, 44.0, high, 12.6, 11.0, (0.42, 0.27, 0.2), 3100)
    houses.row(b, 1, right, 3, 21.5)
    houses.row(b, 1, right + 1.5, 28, 43)
    furniture.ground(b, edge, right + 1, -6, 22.6, 0, 9, (0.17, 0.155, 0.14), "paving")
    furniture.ground(b, -70, 60, 22.6, 26.6, -0.02, 18, (0.08, 0.08, 0.085), "asphalt", draw=_road_marks)
    furniture.ground(b, edge, 40, 26.6, foot, 0, 18, (0.2, 0.185, 0.16), "paving")
    steps = 10
    rise, tread = high / steps, (head - foot) / steps
    for step in range(steps):
        y, z = foot + step * tread, step * rise
        b.wall((edge, y), (10.2, y), z, z + rise, 20, (0.15, 0.14, 0.125), "plaster", _nosing)
        furniture.ground(b, edge, 10.2, y, y + tread, z + rise, 20, (0.34, 0.315, 0.28), "plaster")
    furniture.ground(b, edge, 40, head, 46, high, 26, (0.2, 0.18, 0.155), "paving")
    b.wall((10.2, foot), (40, foot), 0, high, 18, (0.25, 0.23, 0.2), "ashlar")
    for x in (edge, 9.8):  # cheek walls with planters on their ends
        b.block(x, x + 0.5, foot - 0.3, head, 0, high + 0.35, 18, (0.3, 0.28, 0.25), "ashlar")
        furniture.planter(b, x + 0.25, head + 1.6, high, 24)
    for x in (-2.2, 4.4):
        furniture.handrail(b, x, foot, head, high)
    # the bridge, its parapets, the quay wall
    b.wall((-70, 22.6), (edge, 22.6), -1.2, 0, 20, (0.26, 0.24, 0.21), "ashlar")
    for y in (22.5, 26.6):
        b.block(-70, edge, y, y + 0.3, 0, 0.95, 20, (0.28, 0.26, 0.23), "ashlar")
    b.wall((edge, foot), (edge, 60), -1.6, high, 26, (0.2, 0.19, 0.17), "ashlar")
    for y in np.arange(4.0, 22, 2.9):  # mooring posts and a low rail along the quay
        b.post(edge + 0.35, y, 0, 0.62, 0.15, 7, (0.09, 0.09, 0.1))
        b.post(edge + 0.35, y, 0.62, 0.74, 0.2, 7, (0.30, 0.28, 0.24))
    furniture.water(b, -110, edge, -6, 110, -1.6)
    furniture.ferry(b, -16.5, -9.5, 31.0, 56.0, -1.6)
    houses.skyline(b, -120, -14, 108, -2, 8, 20, lit=0.4)
    houses.skyline(b, -20, 80, 76, 0, 10, 18)
    furniture.column(b, 8.2, 16.5, 0, 9)
    furniture.column(b, 7.4, 36.5, high, 26)
    for x, y, z in ((6.6, 11.5, 0), (8.4, 20.5, 0), (-5.2, 10.2, 0), (-4.4, 36.5, high), (3.4, 38.0, high)):
        furniture.bench(b, x, y, z, 8 if z == 0 else 28)
    for x, y, z in (
        (7.9, 13.3, 0),
        (-5.4, 17.4, 0),
        (8.6, 24.0 - 2.2, 0),
        (-2.4, 40.6, high),
        (3.2, 40.6, high),
    ):
        furniture.planter(b, x, y, z, 9 if z == 0 else 28)
    for x in np.arange(-5.4, 9, 1.8):
        b.post(x, 22.1, 0, 0.9, 0.09, 12, (0.12, 0.12, 0.13))
        b.post(x, 22.1, 0.9, 0.97, 0.11, 12, (0.42, 0.40, 0.34))
    for x, y, tall in ((-5.6, 12.6, 2.7), (9.2, 18.0, 2.8), (2.2, 21.8, 2.6)):
        furniture.signpost(b, x, y, tall)
    furniture.kiosk(b, 5.2, 17.6)
    furniture.sky(b)
    stand = np.array([1.0, 6.5, 1.6])
    return Town(b.bake(), hold, stand, (23.6, 25.6, -0.02), (-5.5, 8.5, 12.5, 41.0), (foot, head, high))


def _mill(b: Builder) -> Town:
    """A front of rows of windows, all of one shape and equally lit, wider than the picture: but for its gate and the
    lamps before it, a picture of it moved by a window is the same.
    """
    front, half, tall, pitch, storey = 46.0, 44.0, 17.0, 1.6, 2.8

    def draw(canvas):
        for x in np.arange(0.3, canvas.width - 1.3, pitch):
            for z in np.arange(1.2, tall - 2.5, storey):
                paint.window(canvas, np.random.default_rng(0), x, z, 1.0, 1.7, houses.TRIM, True)
        canvas.paint(half + 6.2, 0, half + 9.4, 3.6, (0.10, 0.07, 0.05))

    b.wall((-half, front), (half, front), 0, tall, 40, (0.34, 0.18, 0.13), "brick", draw)
    furniture.ground(b, -half, half, -6, front, 0, 12, (0.15, 0.14, 0.13), "cobbles")
    for x, y in ((-17.0, 43.0), (-5.5, 41.5), (2.5, 43.5), (13.0, 42.0)):
        b.street_lamp(x, y, 0, 4.5, 2900, 9.0, 36)
    furniture.sky(b)
    # the middle of a window
    hold = np.array([27.5 * pitch + 0.8 - half, front, 1.2 + 2 * storey + 0.85])
    return Town(b.bake(), hold, np.array([0.0, 6.5, 1.6]), (40.0, 42.0, 0.0), (-9.0, 9.0, 12.0, 40.0), (0.0, 1.0, 0.0))


def _road_marks(canvas: Canvas):
    for x in np.arange(0, canvas.width, 3.2):
        canvas.paint(x, canvas.height / 2 - 0.06, x + 1.6, canvas.height / 2 + 0.06, (0.45, 0.45, 0.42))


def _nosing(canvas: Canvas):
    canvas.paint(0, canvas.height - 0.035, canvas.width, canvas.height, (0.45, 0.42, 0.38))
