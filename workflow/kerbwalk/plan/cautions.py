"""What to be warned of: in this very plan, and on every walk."""

import math

from kerbwalk.plan import exposure
from kerbwalk.plan.quantities import show

USUAL_RATES = (24000 / 1001, 24.0, 25.0, 30000 / 1001, 30.0, 60.0)
SHORTEST_SHUTTER = 1.0  # s; common practice, no source: shorter ones leave what moves sharp and jumping
MOST_CLOCK_OFF = 4.0  # hours; no zone is farther from its sun, summer time counted (from memory)
WIDEST = 25.0  # mm, 35 mm-equivalent; common practice, no source: wider lenses stretch the edges
# Of every walk; the first comes before all others.
EVERY_WALK = (
    "Local rules and licensed practice come first.",
    "Traffic, trams, kerbs, steps: look up before each step back. Go in twos.",
    "Crowds and cables: keep the legs in, the way free, a light on the tripod.",
    "Private ground, stations, tripods: permission first.",
    "Storm or lightning: fold the tripod and go indoors.",
    "Never look at the sun through a finder, dark filter or not.",
    "Batteries: contacts covered, dry, warm; no swollen one.",
)
CHECKLIST = (
    "manual focus, ring taped",
    "raw; clock set, sound off",
    "stabiliser off (lens and body)",
    "long-exposure noise reduction off",
    "manual exposure, ISO fixed",
    "white balance fixed",
    "finder's grid of thirds on",
    "cable or 2 s timer; strap off",
    "hold point noted, test photo checked",
    "card empty, spare battery warm",
)


def cautions(request, sections):
    """What in this very plan deserves a warning, sentences."""
    paced, lens, light = sections["pace"], sections.get("lens", {}), sections.get("light", {})
    found = []
    if exposure.true_shutter(paced["shutter"].value) < SHORTEST_SHUTTER:
        found.append("The shutter is under 1 s: what moves will jump instead of blurring (common practice).")
    if lens and lens["equivalent"].value < WIDEST:
        found.append(
            "The lens is wider than 25 mm-equivalent: the edges stretch from photo to photo (common practice)."
        )
    if not any(math.isclose(paced["fps"].value, rate, rel_tol=1e-4) for rate in USUAL_RATES):
        found.append(f"{show(paced['fps'].value)} frames a second is no usual rate: set another clip length or number.")
    if request.noise_reduction:
        found.append("Long-exposure noise reduction doubles every exposure: switch it off in the camera.")
    if "parallax" in lens and lens["parallax"].value > lens["parallax_limit"].value * (1 + 1e-9):
        step = show(lens["step_limit"].value, 2)
        found.append(f"The step is too long for the nearest subject: {step} m keeps its parallax under the limit.")
    if "sharp_from" in lens and request.near is not None:
        reach = lens["sharp_from"].value / 1.001, lens["sharp_to"].value * 1.001
        if not reach[0] <= request.near <= lens["far"].value <= reach[1]:
            needed = show(lens["aperture_needed"].value, 2)
            found.append(f"Near and far are not both sharp: stop down to f/{needed}, or give up the nearest.")
    if light and light["sun_start"].value > -50 / 60:
        found.append("The sun is up at the start: never point the finder at it, filter or not.")
    if light and _clock_off(request, light["start"].value) > MOST_CLOCK_OFF:
        found.append(
            "Place and time zone do not fit: degrees are north and east positive, west of Greenwich is negative."
        )
    if light and light["light_falls"].value < -1:
        found.append("The light rises through the walk: expose the first photos so that the last do not clip.")
    card_full = sections["storage"].get("cards")
    if card_full and card_full.value > 1:
        found.append(f"The walk needs {card_full.value} cards: change them between two photos, the tripod untouched.")
    return found


def _clock_off(request, when):
    """Hours between the zone's clock and the place's mean solar time."""
    off = when.utcoffset().total_seconds() / 3600 - request.place[1] / 15
    return abs((off + 12) % 24 - 12)
