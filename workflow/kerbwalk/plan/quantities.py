"""Numbers with units: read from what a photographer types, shown as one would write them."""

import math
import re

from kerbwalk.plan.answers import PlanError

# A factor for each unit that may be typed; the first one is the unit that a bare number has.
UNITS = {
    "seconds": {"s": 1, "sec": 1, "second": 1, "seconds": 1, "ms": 1e-3, "min": 60, "minutes": 60, "h": 3600},
    "minutes": {"min": 1, "minutes": 1, "minute": 1, "m": 1, "s": 1 / 60, "h": 60, "hours": 60, "hour": 60},
    "metres": {"m": 1, "metres": 1, "meters": 1, "cm": 1e-2, "mm": 1e-3, "km": 1e3, "ft": 0.3048, "in": 0.0254},
    "millimetres": {"mm": 1, "cm": 10},
    "degrees": {"deg": 1, "degrees": 1, "°": 1},
    "frames a second": {"fps": 1},
    "pixels": {"px": 1, "pixels": 1},
    "per cent": {"%": 1},
    "megabytes": {"mb": 1, "gb": 1e3},
    "gigabytes": {"gb": 1, "tb": 1e3},
    "megapixels": {"mpx": 1, "mp": 1},
    "lux": {"lx": 1, "lux": 1},
    "": {},
}
NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?)(?:\s*/\s*(\d+(?:\.\d*)?))?\s*([a-z%°]*)", re.ASCII)


def read(text, kind, low=0.0, high=1e7, closed=False):
    """A number such as '3', '1/4 s', '25 cm' or '1.5 h' in the unit `kind` (a key of UNITS).

    It must lie in low < number <= high, or low <= number with closed. Raises PlanError with the reason, for the
    caller to put the name of the option before.
    """
    match = NUMBER.fullmatch(text.strip().lower().replace("″", "s"))
    names = UNITS[kind]
    if not match or (match[3] and match[3] not in names):
        example = f" such as 12{' ' + next(iter(names)) if names else ''}"
        raise PlanError(f"expected a number{' of ' + kind if kind else ''}{example}, got '{text}'")
    below = float(match[2]) if match[2] else 1.0
    value = float(match[1]) / below * names.get(match[3], 1) if below else math.inf
    if not (low <= value if closed else low < value) or not value <= high:
        wanted = f"{'at least' if closed else 'more than'} {show(low)} and at most {show(high)}"
        raise PlanError(f"expected {wanted}{' ' + kind if kind else ''}, got '{text}'")
    return value


def show(value, digits=3):
    """A number with so many significant digits, whole parts always whole: 1548.3 -> 1548, 0.25 -> 0.25."""
    if isinstance(value, str):
        return value
    if math.isinf(value):
        return "infinity"
    if abs(value) >= 10**digits or value == 0:
        return f"{value:.0f}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def show_shutter(seconds):
    """An exposure time as on a dial: 3 s, 0.5 s, 1/60 s."""
    if seconds >= 0.29:
        return f"{show(seconds)} s"
    return f"1/{show(1 / seconds, 2 if 1 / seconds < 100 else 4)} s"


def fraction_words(part):
    """A part of a whole as the nearest 1/n, n whole: 0.15 -> '1/7'; from 0.75 on with one decimal."""
    return f"1/{round(1 / part)}" if part < 0.75 else show(part, 2)
