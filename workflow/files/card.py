"""The field card as a PDF of one page, A6 or A5, and as plain text beside it."""

import datetime
import sys
import textwrap

from matplotlib import font_manager, rc_context
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import LoadFlags
from matplotlib.patches import Rectangle

from files.stage import whole, write_text
from kerbwalk.plan import card as cards
from kerbwalk.plan.cautions import CHECKLIST

PAPERS = {"a6": (105.0, 148.0), "a5": (148.0, 210.0)}  # mm (ISO 216)
# Drawn in millimetres of an A6 page; on A5, which has the same shape to the millimetre, all is larger.
PAGE = PAPERS["a6"]
EDGE = 6.0
FAMILY = "DejaVu Sans"
SKY_HEIGHT, CHECKLIST_HEIGHT, NOTES_GAP = 14.5, 27.0, 6.0
INK, SOFT, WARN = "#14171c", "#5d6570", "#a3221c"
# The sky from day to night, by what ends where (kerbwalk/plan/sky.py).
SKY = (
    ("sunset", "sunrise", "#f3c98b"),
    ("civil_dusk", "civil_dawn", "#8fa8d8"),
    ("nautical_dusk", "nautical_dawn", "#4a62a3"),
    ("astronomical_dusk", "astronomical_dawn", "#27356b"),
)
NIGHT = "#0d1330"


def write(plan, path, paper, name):
    """Write the card of a plan (kerbwalk.plan.whole.Plan) to path (.pdf is added if missing) and as .txt beside it.

    paper: a key of PAPERS; name: of the walk. Raises OSError.
    """
    unknown = _unknown_signs(name)
    path = path if path.suffix.lower() == ".pdf" else path.with_name(path.name + ".pdf")
    if unknown:
        print(f"kerbwalk: the card's font has no {unknown}: boxes stand for them in {path}", file=sys.stderr)
    card = cards.make(plan, name.translate(dict.fromkeys(map(ord, unknown), "\u25a1")))
    # TrueType fonts are put in as they are, so that the page's text can be searched and copied.
    with rc_context({"pdf.fonttype": 42, "font.family": FAMILY}), whole(path) as temporary:
        figure = draw(card, paper)
        about = {"Title": card.title, "Creator": "Kerbwalk", "CreationDate": None, "ModDate": None}
        FigureCanvasPdf(figure).print_pdf(temporary, metadata=about)
    write_text(path.with_suffix(".txt"), cards.as_text(cards.make(plan, name)))


def _unknown_signs(text):
    known = font_manager.get_font(font_manager.findfont(FAMILY)).get_charmap()
    return "".join(sorted({sign for sign in text if ord(sign) not in known}))


def draw(card, paper):
    """A Matplotlib Figure of the card; paper: a key of PAPERS. The rows of numbers shrink if the page is full."""
    sheet = Sheet(PAPERS[paper])
    bottom = _cautions(sheet, card.cautions)
    y = _big(sheet, card.big, _head(sheet, card))
    y = _numbers(sheet, card, y, bottom - CHECKLIST_HEIGHT - (SKY_HEIGHT if card.light else 0))
    if card.light:
        y = _sky(sheet, card.light, y)
    _checklist(sheet, y, bottom)
    return sheet.figure


class Sheet:
    """A page drawn on in millimetres of an A6 page from its top left corner. size: its own, mm."""

    def __init__(self, size):
        self.scale = size[0] / PAGE[0]
        self.figure = Figure(figsize=[side / 25.4 for side in size])
        self.axes = self.figure.add_axes((0, 0, 1, 1), xlim=(0, PAGE[0]), ylim=(PAGE[1], 0))
        self.axes.set_axis_off()

    def text(self, x, y, text, size, color=INK, weight="normal", align="left"):
        """Text on the base line y; size in points on A6."""
        # a name may hold a dollar sign, which would begin a formula
        look = {"fontsize": size * self.scale, "color": color, "weight": weight}
        self.axes.text(x, y, text, ha=align, va="baseline", parse_math=False, **look)

    def fitted(self, x, y, width, text, size, **more):
        """Text made smaller until it is no wider than `width`."""
        self.text(
            x, y, text, size * min(1.0, width / max(1e-6, measure(text, size, more.get("weight", "normal")))), **more
        )

    def box(self, x, y, width, height, **more):
        self.axes.add_patch(Rectangle((x, y), width, height, **({"linewidth": 0} | more)))

    def line(self, x, y, **more):
        more = {"color": INK, "linewidth": 0.5, "solid_capstyle": "butt"} | more
        self.axes.plot(x, y, **(more | {"linewidth": more["linewidth"] * self.scale}))


def measure(text, size, weight="normal"):
    """The width in millimetres of a text of so many points."""
    font = font_manager.get_font(font_manager.findfont(FontProperties(family=FAMILY, weight=weight)))
    font.set_size(size, 72)
    font.set_text(text, flags=LoadFlags.NO_HINTING)
    return font.get_width_height()[0] / 64 * 25.4 / 72


def wrapped(text, width, size):
    """The lines of a text, none wider than `width` mm."""
    letters = max(8, int(len(text) * width / max(1e-6, measure(text, size))))
    while any(measure(line, size) > width for line in textwrap.wrap(text, letters)) and letters > 8:
        letters -= 1
    return textwrap.wrap(text, letters)


def _head(sheet, card):
    sheet.box(0, 0, PAGE[0], 14, facecolor=INK)
    sheet.fitted(EDGE, 6.6, PAGE[0] - 2 * EDGE, card.title, 11, color="white", weight="bold")
    sheet.text(EDGE, 11.4, card.when or "date: ____________   start: ________", 6.8, color="#c9ced6")
    sheet.text(PAGE[0] - EDGE, 11.4, "Kerbwalk field card", 5, color="#8b93a0", align="right")
    return 14.0


def _big(sheet, numbers, y):
    cell = (PAGE[0] - 2 * EDGE) / len(numbers)
    for place, (number, what) in enumerate(numbers):
        middle = EDGE + (place + 0.5) * cell
        sheet.fitted(middle, y + 8.4, cell - 2, number, 16, weight="bold", align="center")
        sheet.fitted(middle, y + 11.8, cell - 1.5, what, 5.6, color=SOFT, align="center")
        if place:
            sheet.line([EDGE + place * cell] * 2, [y + 3, y + 12], color="#c9ced6")
    sheet.line([EDGE, PAGE[0] - EDGE], [y + 14] * 2)
    return y + 14


def _numbers(sheet, card, y, bottom):
    """The rows on the left, smaller if they would pass `bottom`; on the right the frame in the photo."""
    picture = min(33.0, 25 * card.view.sensor[0] / card.view.sensor[1]) if card.view else 0.0
    below = _frame(sheet, card.view, PAGE[0] - EDGE - picture, y + 2.4, picture) + 2 if card.view else y
    label_width, size, gap = 12.0, 6.4, 3.55
    width = PAGE[0] - 2 * EDGE - label_width
    lines = []
    for label, value in card.rows:
        # beside the picture there is less room than below it
        beside = y + 1 + (len(lines) + 1) * gap < below
        parts = wrapped(value, width - picture - 3 if beside else width, size)
        lines += [(label if place == 0 else "", part) for place, part in enumerate(parts)]
    smaller = min(1.0, (bottom - y - 2) / (gap * len(lines)))
    for place, (label, part) in enumerate(lines):
        base = y + 1 + (place + 1) * gap * smaller
        sheet.text(EDGE, base, label, size * smaller, color=SOFT)
        sheet.text(EDGE + label_width, base, part, size * smaller)
    return max(below, y + 2 + len(lines) * gap * smaller)


def _frame(sheet, view, x, y, width):
    """The photo, its grid of thirds, the clip's frame, and how far its middle may be aimed off."""
    unit = width / view.sensor[0]
    height = view.sensor[1] * unit
    sheet.box(x, y, width, height, facecolor="#e3e6ea", edgecolor=INK, linewidth=0.6)
    inner = [side * unit for side in view.frame]
    spare = (width - inner[0]) / 2, (height - inner[1]) / 2
    sheet.box(x + spare[0], y + spare[1], *inner, facecolor="white", edgecolor=INK, linewidth=0.9)
    for third in (1, 2):
        sheet.line([x + width * third / 3] * 2, [y, y + height], color="#aab1bb", linewidth=0.35)
        sheet.line([x, x + width], [y + height * third / 3] * 2, color="#aab1bb", linewidth=0.35)
    middle = x + width / 2, y + height / 2
    look = {"facecolor": "#f6d7d4", "edgecolor": WARN, "linewidth": 0.6}
    sheet.box(middle[0] - spare[0], middle[1] - spare[1], 2 * spare[0], 2 * spare[1], **look)
    sheet.line([middle[0] - 1, middle[0] + 1], [middle[1]] * 2, color=WARN)
    sheet.line([middle[0]] * 2, [middle[1] - 1, middle[1] + 1], color=WARN)
    parts = [100 * inner / side for inner, side in zip(view.frame, view.sensor, strict=True)]
    sheet.fitted(
        x, y + height + 2.9, width, f"the clip's frame: {parts[0]:.0f} x {parts[1]:.0f} % of the photo", 5.2, color=SOFT
    )
    sheet.fitted(x, y + height + 5.5, width, "red: how far the hold point may be off", 5.2, color=WARN)
    return y + height + 6


def _sky(sheet, light, y):
    """A strip of the evening (or morning) around the walk, in the colours of day, twilights and night."""
    start, end = light["start"].value, light["end"].value
    moments = [(light[key].value, place) for place, keys in enumerate(SKY) for key in keys[:2] if key in light]
    left = start - max((end - start), datetime.timedelta(minutes=40))
    right = end + max((end - start), datetime.timedelta(minutes=40))
    inner, width, top, height = EDGE, PAGE[0] - 2 * EDGE, y + 4.4, 5.6

    def across(when):
        return inner + width * min(1.0, max(0.0, (when - left) / (right - left)))

    edges = sorted([(when, place) for when, place in moments if left < when < right])
    colours = _colours(light, edges)
    bounds = [left, *(when for when, _ in edges), right]
    for before, after, colour in zip(bounds[:-1], bounds[1:], colours, strict=True):
        sheet.box(across(before), top, across(after) - across(before), height, facecolor=colour)
    names = {light[key].value: key.replace("_", " ") for keys in SKY for key in keys[:2] if key in light}
    free = 0.0
    for when, _ in edges:
        label = f"{names[when]} {when:%H:%M}"
        place = min(max(across(when), inner + measure(label, 5) / 2), inner + width - measure(label, 5) / 2)
        if place - measure(label, 5) / 2 > free:
            sheet.text(place, top - 0.9, label, 5, color=SOFT, align="center")
            free = place + measure(label, 5) / 2 + 1.5
        sheet.line([across(when)] * 2, [top - 0.6, top + height], color="white", linewidth=0.6)
    look = {"facecolor": "none", "edgecolor": "white", "linewidth": 1.1}
    sheet.box(across(start), top + 1.5, across(end) - across(start), height - 3, **look)
    for change in light["changes"].value:
        sheet.line([across(change["time"])] * 2, [top + 0.4, top + height - 0.4], color="#ffd23f", linewidth=1.2)
    sheet.text(across(start), top + height + 2.6, f"{start:%H:%M}", 5, color=INK, weight="bold", align="right")
    sheet.text(across(end), top + height + 2.6, f"{end:%H:%M}", 5, color=INK, weight="bold")
    walk = "the walk" if not light["changes"].value else "the walk; yellow: change"
    middle, room = (across(start) + across(end)) / 2, across(end) - across(start) - 2
    if room > 10:
        sheet.fitted(middle, top + height + 2.6, room, walk, 5, color=SOFT, align="center")
    return top + height + 4


def _colours(light, edges):
    """The strip's colours, one for each part between the edges."""
    all_colours = [colour for *_, colour in SKY] + [NIGHT]
    # before a dusk of the kind `place` it is as light as all_colours[place], after it one darker; a dawn the reverse
    dusks = {light[dusk].value for dusk, *_ in SKY if dusk in light}
    found = []
    for when, place in edges:
        if not found:
            found.append(all_colours[place if when in dusks else place + 1])
        found.append(all_colours[place + 1 if when in dusks else place])
    if found:
        return found
    # nothing happens in the strip: by the sun's height
    limits = (-50 / 60, -6, -12, -18)
    height = light["sun_start"].value
    return [all_colours[sum(height < limit for limit in limits)]]


def _cautions(sheet, cautions):
    """From the bottom up; returns where they begin."""
    size, gap = 5.5, 2.55
    lines = []
    for caution in cautions:
        lines += [(place == 0, line) for place, line in enumerate(wrapped(caution, PAGE[0] - 2 * EDGE - 5, size))]
    top = PAGE[1] - 4 - gap * len(lines) - 1.6
    sheet.box(EDGE, top, PAGE[0] - 2 * EDGE, gap * len(lines) + 2, facecolor="#faeeed")
    sheet.box(EDGE, top, 1, gap * len(lines) + 2, facecolor=WARN)
    for place, (begins, line) in enumerate(lines):
        y = top + 2.7 + place * gap
        if begins:
            sheet.text(EDGE + 2, y, "!", size, color=WARN, weight="bold")
        sheet.text(EDGE + 4, y, line, size, weight="bold" if place == 0 else "normal")
    return top


def _checklist(sheet, top, bottom):
    """Boxes to tick in two columns, and lines to write on, in what room is left."""
    rows = (len(CHECKLIST) + 1) // 2
    gap = min(5.0, (bottom - top - 3) / (rows + 1.6))
    sheet.line([EDGE, PAGE[0] - EDGE], [top + 0.6] * 2)
    column = (PAGE[0] - 2 * EDGE) / 2
    for place, item in enumerate(CHECKLIST):
        x, y = EDGE + place // rows * column, top + 1.2 + (place % rows + 0.75) * gap
        sheet.box(x, y - 2.1, 2.4, 2.4, facecolor="none", edgecolor=INK, linewidth=0.6)
        sheet.fitted(x + 4, y, column - 5, item, 6.4)
    y = _lines_to_write(sheet, top + 1.2 + (rows + 1) * gap)
    while (y := y + NOTES_GAP) < bottom - 2:
        sheet.line([EDGE, PAGE[0] - EDGE], [y] * 2, linewidth=0.3, color="#c9ced6")


def _lines_to_write(sheet, y):
    x = EDGE
    for label, share in zip(cards.TO_WRITE, (0.46, 0.27, 0.27), strict=True):
        width = share * (PAGE[0] - 2 * EDGE)
        sheet.text(x, y, label, 5.6, color=SOFT)
        sheet.line([x + measure(label, 5.6) + 1.2, x + width - 2], [y + 0.4] * 2, linewidth=0.4)
        x += width
    return y
