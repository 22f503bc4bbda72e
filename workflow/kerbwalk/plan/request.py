"""What the photographer said, as the parts of the plan read it."""

import datetime
from dataclasses import dataclass, field

from kerbwalk.plan.answers import ASKED, ASSUMED, Answer
from kerbwalk.plan.exposure import Filter, Setting
from kerbwalk.plan.storage import Measured


@dataclass(frozen=True)
class Request:
    """What the photographer said; None where nothing was said. Units as in pace.UNITS, mm on the sensor, m outside."""

    pace: dict = field(default_factory=dict)
    fps: float = 24.0  # the settings'
    aspect: float = 16 / 9  # the settings', width over height
    output: int = 1920  # pixels, the clip's width
    noise_reduction: bool | None = None
    metered: Setting | None = None
    aperture: float | None = None
    iso: float | None = None
    owned: tuple[Filter, ...] = ()
    fitted: tuple[Filter, ...] = ()
    focal: float | None = None
    sensor: tuple[float, float] | None = None
    near: float | None = None
    far: float | None = None
    hold: float | None = None
    focus: float | None = None
    heading: float | None = None  # degrees between walk and line of sight
    parallax: float | None = None  # pixels
    margin: float | None = None  # part of the frame on each side
    blur: float | None = None  # mm
    place: tuple[float, float] | None = None  # degrees north, east
    zone: datetime.tzinfo | None = None
    date: datetime.date | None = None
    start: datetime.time | None = None
    lamps: float | None = None  # lux
    megapixels: float | None = None
    megabytes: float | None = None  # of a raw file
    card: float | None = None  # GB
    rated_shots: float | None = None
    cores: int = 1
    measured: Measured | None = None


def given(value, usual, unit, because):
    """An Answer: what was asked, otherwise what is usual."""
    return Answer(usual, unit, because, ASSUMED) if value is None else Answer(value, unit, "asked", ASKED)
