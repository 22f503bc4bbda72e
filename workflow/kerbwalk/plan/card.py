"""What stands on the field card, and the card as plain text."""

import math
import textwrap
from dataclasses import dataclass

from kerbwalk.plan import geometry
from kerbwalk.plan.cautions import CHECKLIST, EVERY_WALK
from kerbwalk.plan.quantities import show, show_shutter
from kerbwalk.plan.text import change_text, drawing, minutes_text, value_text

WIDTH = 62  # signs of a line of the text
MOST_CHANGES = 4  # of the exposure, that have room
TO_WRITE = ("hold point", "first photo", "last photo")


@dataclass(frozen=True)
class Card:
    """title; when: the date and the times, or ""; big: [(number, what)]; rows: [(label, value)]; view: geometry.View or
    None; light: the plan's section, or {}; cautions: of this plan first, then of every walk."""

    title: str
    when: str
    big: list
    rows: list
    view: geometry.View | None
    light: dict
    cautions: list


def make(plan, name):
    """The Card of a Plan. name: of the walk, may be empty."""
    paced, light = plan.sections["pace"], plan.sections.get("light", {})
    when = ""
    if light:
        start, end = light["start"].value, light["end"].value
        when = f"{start:%a %d %b %Y, %H:%M} to {end:%H:%M}"
    big = [
        (show(paced["photos"].value), "photos"),
        (f"{show(paced['interval'].value)} s", "from one to the next"),
        (minutes_text(paced["minutes"].value), "for all of them"),
        (f"{show(paced['clip'].value)} s", f"of clip at {show(paced['fps'].value, 5)} a second"),
    ]
    rows = [*_exposure(plan), *_lens(plan), *_light(light), *_storage(plan)]
    first, *others = EVERY_WALK
    cautions = [first, *plan.cautions, *others]
    return Card(name or "A walk at night", when, big, rows, plan.view, light, cautions)


def _exposure(plan):
    paced, set_to = plan.sections["pace"], plan.sections["exposure"]
    shutter = show_shutter(paced["shutter"].value)
    if "lasts" in set_to:
        shutter += f" (lasts {show(set_to['lasts'].value)} s)"
    move = f"{show(paced['move'].value)} s"
    twice = ", twice (noise reduction)" if set_to["noise_reduction"].value == "on" else ""
    yield "Shutter", f"{shutter}{twice}, then {move} to move"
    rest = [value_text(name, set_to[name]) for name in ("aperture", "iso") if name in set_to]
    if rest:
        yield "Set", " · ".join([rest[0], *(f"ISO {value}" for value in rest[1:])]) if "aperture" in set_to else rest[0]
    if "filter" in set_to:
        filtered = value_text("filter", set_to["filter"])
        if "filter_shutter" in set_to and set_to["filter_shutter"].value != paced["shutter"].value:
            filtered += f", and {show_shutter(set_to['filter_shutter'].value)} with it"
        yield "Filter", filtered


def _lens(plan):
    paced, lens = plan.sections["pace"], plan.sections.get("lens", {})
    if "step" in paced:
        limit = f" (at most {_metres(lens['step_limit'].value)})" if "step_limit" in lens else ""
        yield "Step", f"{_metres(paced['step'].value)}{limit}; the walk {_metres(paced['walk'].value)}"
    if not lens:
        return
    yield "Lens", f"{show(lens['focal'].value)} mm, sees {show(lens['angle_across'].value)}° across"
    if "focus" in lens:
        sharp = f"{_metres(lens['sharp_from'].value)} to {_metres(lens['sharp_to'].value)}"
        yield "Focus", f"{_metres(lens['focus'].value)}; sharp {sharp}"
    across, upright, roll = (show(lens[f"aim_{name}"].value, 2) for name in ("across", "upright", "roll"))
    yield "Aim", f"± {across}° across, {upright}° up, {roll}° roll"
    yield "", f"by the grid: {lens['aim_grid'].value.replace(' or down', '')}"


def _light(light):
    if not light:
        return
    heights = [f"{light[f'sun_{name}'].value:+.1f}°" for name in ("start", "end")]
    moon = f"moon {light['moon_height'].value:+.0f}°, {light['moon'].value}"
    yield "Sky", f"sun {heights[0]} to {heights[1]}; {moon}"
    changes = light["changes"].value
    yield "Light", f"{_falls(light['light_falls'].value)}; the sky alone {_falls(light['sky_falls'].value)}"
    if changes:
        more = f"; {len(changes) - MOST_CHANGES} more" if len(changes) > MOST_CHANGES else ""
        yield "Give", "; ".join(change_text(change) for change in changes[:MOST_CHANGES]) + more


def _storage(plan):
    kept = plan.sections["storage"]
    cards = f", {kept['cards'].value} card{'s' if kept['cards'].value > 1 else ''}" if "cards" in kept else ""
    yield "Pack", f"{value_text('walk_megabytes', kept['walk_megabytes'])}{cards}, {kept['batteries'].value} batteries"


def _falls(stops):
    return "stays" if abs(stops) < 0.05 else f"{'falls' if stops > 0 else 'rises'} {abs(stops):.1f} stops"


def _metres(value):
    if math.isinf(value):
        return "infinity"
    return f"{show(value)} m" if value >= 1 else f"{show(value * 100)} cm"


def as_text(card):
    """The card as lines of at most WIDTH signs."""
    lines = [card.title, *([card.when] if card.when else []), "=" * WIDTH]
    lines += [f"{number:>10}  {what}" for number, what in card.big]
    lines.append("-" * WIDTH)
    for label, value in card.rows:
        lines += textwrap.wrap(value, WIDTH, initial_indent=f"{label:9}", subsequent_indent=" " * 9)
    if card.light:
        lines += textwrap.wrap("; ".join(twilight(card.light)), WIDTH)
    if card.view:
        lines += ["", *drawing(card.view, 32)]
    lines += ["", *(f"[ ] {item}" for item in CHECKLIST), ""]
    lines += [f"{label + ':':14}{'_' * (WIDTH - 14)}" for label in TO_WRITE]
    lines.append("")
    for caution in card.cautions:
        lines += textwrap.wrap(caution, WIDTH, initial_indent="! ", subsequent_indent="  ")
    return "\n".join(lines) + "\n"


def twilight(light):
    """'sunset 16:02', ... of the moments that the plan's light has, evening and morning."""
    names = ("sunset", "civil dusk", "nautical dusk", "astronomical dusk")
    names += ("astronomical dawn", "nautical dawn", "civil dawn", "sunrise", "moonrise", "moonset")
    keys = [(name, name.replace(" ", "_")) for name in names]
    return [f"{name} {light[key].value:%H:%M}" for name, key in keys if key in light]
