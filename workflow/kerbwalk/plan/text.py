"""The plan as plain text: every answer with its reason, or the short card for the pocket."""

import datetime
import math
import textwrap

from kerbwalk.plan.answers import ASSUMED
from kerbwalk.plan.quantities import show, show_shutter

TITLES = {"pace": "Pace", "exposure": "Exposure", "lens": "Lens", "light": "Light", "storage": "Storage"}
# Where a name with its underscores taken for spaces does not say enough.
LABELS = {
    "clip": "length of the clip",
    "fps": "frame rate",
    "move": "time to move",
    "minutes": "time for all",
    "walk": "length of the walk",
    "lasts": "shutter lasts",
    "iso": "ISO",
    "reciprocity": "reciprocity failure",
    "needed_stops": "light to take away",
    "needed_density": "as a density",
    "needed_factor": "as a factor",
    "filter_stops": "filter takes",
    "filter_shutter": "shutter with it",
    "focal": "focal length",
    "frame_part": "frame, width",
    "frame_height": "frame, height",
    "margin": "margin",
    "aim_across": "aim within, across",
    "aim_upright": "aim within, upright",
    "aim_roll": "aim within, roll",
    "aim_grid": "aim within, grid",
    "blur": "blur allowed",
    "blur_pixels": "blur in the clip",
    "aperture_needed": "aperture for both",
    "hold": "hold point at",
    "heading": "walk to line of sight",
    "step_limit": "longest step",
    "move_near": "near moves a step",
    "move_hold": "hold point moves a step",
    "move_far": "far moves a step",
    "turn": "turn of aim a step",
    "parallax": "parallax a step",
    "sun_start": "sun at the start",
    "sun_middle": "sun in the middle",
    "sun_end": "sun at the end",
    "sky_falls": "sky's light falls",
    "light_falls": "light falls, with lamps",
    "changes": "exposure changes",
    "megapixels": "photo",
    "megabytes": "raw file",
    "walk_megabytes": "raw files together",
    "card_shots": "card holds",
    "rated_shots": "battery rated for",
    "night": "overnight run",
    "night_megabytes": "results on the disk",
}
LABEL_WIDTH, VALUE_WIDTH, WIDTH = 24, 22, 112


def full(plan):
    """The plan with all reasons: a text of lines up to WIDTH signs."""
    lines = []
    for section, answers in plan.sections.items():
        lines += ["", TITLES[section]]
        for name, answer in answers.items():
            lines += _row(LABELS.get(name, name.replace("_", " ")), value_text(name, answer), reason(answer))
        if section == "lens":
            lines += ["", *("  " + line for line in drawing(plan.view))]
    if plan.cautions:
        lines += ["", "Mind"]
        for caution in plan.cautions:
            lines += textwrap.wrap(caution, WIDTH, initial_indent="  ! ", subsequent_indent="    ")
    return "\n".join(lines[1:]) + "\n"


def _row(label, value, because):
    if len(value) > VALUE_WIDTH:
        value, because = "", f"{value}  ({because})" if because else value
    start = f"  {label:{LABEL_WIDTH}}{value:{VALUE_WIDTH}}  "
    rest = " " * len(start)
    return textwrap.wrap(because, WIDTH, initial_indent=start, subsequent_indent=rest) or [start.rstrip()]


def reason(answer):
    """Why an answer is what it is, and on which assumptions it rests."""
    if answer.kind == ASSUMED:
        return f"assumed: {answer.because}"
    names = [LABELS.get(name, name) for name in answer.rests_on]
    if not names:
        return answer.because
    return f"{answer.because}; rests on the assumed {', '.join(names)}"


def value_text(name, answer):
    """An answer's value with its unit, as one would write it."""
    value = answer.value
    if isinstance(value, datetime.datetime):
        return f"{value:%H:%M}"
    if name == "changes":
        return "; ".join(change_text(change) for change in value) or "none"
    if name in ("shutter", "filter_shutter"):
        return show_shutter(value)
    if name in ("aperture", "aperture_needed"):
        return f"f/{show(value, 2)}"
    if name in ("frame_part", "frame_height", "margin"):
        return f"{show(value * 100)} % {answer.unit}"
    if answer.unit == "MB" and value >= 1000:
        return f"{show(value / 1000)} GB"
    if answer.unit == "min":
        return minutes_text(value)
    if isinstance(value, float) and answer.unit == "m" and math.isinf(value):
        return "infinity"
    digits = 5 if name in ("fps", "clip") else 3  # 23.976 is not 24
    return f"{value if isinstance(value, str) else show(value, digits)} {answer.unit}".strip()


def minutes_text(minutes):
    """26 min, 2 h 05 min, 0.5 min."""
    if minutes < 90:
        return f"{show(minutes)} min"
    return f"{int(round(minutes) // 60)} h {int(round(minutes) % 60):02} min"


def change_text(change):
    """'+2 stops at photo 61 (18:04)' of a change of the exposure; the stops count from the first photo."""
    stops = change["stops"]
    unit = "stop" if abs(stops) == 1 else "stops"
    return f"{stops:+.0f} {unit} at photo {change['photo']} ({change['time']:%H:%M})"


def drawing(view, columns=44):
    """The photo with the clip's frame in it and what may be aimed off, in signs twice as high as wide."""
    rows = max(5, round(columns * view.sensor[1] / view.sensor[0] / 2))
    part = [inner / side for inner, side in zip(view.frame, view.sensor, strict=True)]
    left, top = (round((1 - p) / 2 * (n - 1)) for p, n in zip(part, (columns, rows), strict=True))
    canvas = [[" "] * columns for _ in range(rows)]
    _box(canvas, 0, 0, columns - 1, rows - 1, "┌┐└┘─│")
    _box(canvas, max(1, left), max(1, top), columns - 1 - max(1, left), rows - 1 - max(1, top), "╔╗╚╝═║")
    text = f" {show(part[0] * 100)} x {show(part[1] * 100)} % "
    start = (columns - len(text)) // 2
    canvas[rows // 2][start : start + len(text)] = text
    return ["".join(row).rstrip() for row in canvas]


def _box(canvas, left, top, right, bottom, signs):
    for x in range(left + 1, right):
        canvas[top][x] = canvas[bottom][x] = signs[4]
    for y in range(top + 1, bottom):
        canvas[y][left] = canvas[y][right] = signs[5]
    canvas[top][left], canvas[top][right], canvas[bottom][left], canvas[bottom][right] = signs[:4]
