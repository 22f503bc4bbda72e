"""Plan a walk: give what you know, and the rest is worked out, each number with what it comes from and what was
assumed. Numbers may carry a unit: 3, 1/4 s, 25 cm, 1.5 h.

  ./scripts/plan --photos 120 --shutter 3 --move 10
  ./scripts/plan --clip 5 --minutes 30 --metered "f/8 1/4 ISO 100" --own 0.9,ND64
  ./scripts/plan --walk 30 --focal 24 --near 8 --far 40 --card harbour.pdf
  ./scripts/plan --place 50,10 --zone +01:00 --date 2026-12-05 --start 16:20

Exit status: 0 planned; 2 the numbers contradict each other, or are none (one sentence says which).
"""

import _workflow  # noqa: F401
import argparse
import datetime
import json
import os
import re
import signal
import sys
from pathlib import Path

from house import settings
from kerbwalk import deliver
from kerbwalk.plan import exposure, geometry, text, whole
from kerbwalk.plan.answers import PlanError
from kerbwalk.plan.quantities import read
from kerbwalk.plan.request import Request

REPO = Path(__file__).resolve().parents[1]


class Parser(argparse.ArgumentParser):
    """One sentence for a mistake, as everywhere in Kerbwalk."""

    def error(self, message):
        fail(message)


def fail(sentence):
    print(f"kerbwalk: {sentence}", file=sys.stderr)
    sys.exit(2)


def typed(function):
    """A type for argparse from a function that raises PlanError with the reason."""

    def convert(value):
        try:
            return function(value)
        except PlanError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return convert


def number(kind, low=0.0, high=1e7, closed=False):
    return typed(lambda value: read(value, kind, low, high, closed))


def sensor(value):
    """A name of geometry.SENSORS, or WxH in mm."""
    if value.lower() in geometry.SENSORS:
        return geometry.SENSORS[value.lower()]
    sides = re.fullmatch(r"([\d.]+)\s*x\s*([\d.]+)(?:\s*mm)?", value.lower())
    if not sides:
        raise PlanError(f"expected {', '.join(geometry.SENSORS)} or WxH in mm such as 36x24, got '{value}'")
    return read(sides[1], "millimetres", 1, 300), read(sides[2], "millimetres", 1, 300)


def place(value):
    """'48.9,2.3', '-33.9 18.4' or '33.9S 18.4E': degrees north and east."""
    pattern = r"([+-]?\d+(?:\.\d+)?)\s*°?\s*([ns]?)[,;\s]\s*([+-]?\d+(?:\.\d+)?)\s*°?\s*([ew]?)"
    match = re.fullmatch(pattern, value.strip().lower())
    if not match:
        raise PlanError(f"expected latitude and longitude in degrees such as 48.9,2.3 or '33.9S 18.4E', got '{value}'")
    latitude = float(match[1]) * (-1 if match[2] == "s" else 1)
    longitude = float(match[3]) * (-1 if match[4] == "w" else 1)
    if abs(latitude) > 90 or abs(longitude) > 180:
        raise PlanError(f"expected a latitude up to 90 and a longitude up to 180 degrees, got '{value}'")
    return latitude, longitude


def zone(value):
    """A name such as Europe/Lisbon, or an offset such as +2 or -03:30."""
    if match := re.fullmatch(r"(?:utc|gmt)?([+-])(\d{1,2})(?::?([0-5]\d))?", value.strip().lower()):
        offset = datetime.timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
        if offset <= datetime.timedelta(hours=14):
            return datetime.timezone(offset if match[1] == "+" else -offset)
    import zoneinfo

    try:
        return zoneinfo.ZoneInfo(value.strip())
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise PlanError(f"expected a time zone such as +02:00, or a name of the zone database, got '{value}'") from None


def date(value):
    try:
        found = datetime.date.fromisoformat(value.strip())
    except ValueError:
        raise PlanError(f"expected a date such as 2026-12-05, got '{value}'") from None
    if not 1900 <= found.year <= 2100:
        raise PlanError(f"expected a date from 1900 to 2100, got '{value}'")
    return found


def clock(value):
    try:
        return datetime.datetime.strptime(value.strip(), "%H:%M").time()
    except ValueError:
        raise PlanError(f"expected a time such as 21:30, got '{value}'") from None


def filters(value):
    return tuple(exposure.read_filter(mark) for mark in value.split(",") if mark.strip())


def frame_rate(value):
    """Frames a second; 23.976 and its like stand for what the settings take them for."""
    rate = read(value, "frames a second", 0, 1000)
    return float(settings.rate(rate))


def parser():
    made = Parser(
        prog="./scripts/plan",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    group = made.add_argument_group("pace: any of these; what is left out is found or assumed")
    group.add_argument("--clip", type=number("seconds"), metavar="S", help="length of the clip, at least")
    group.add_argument("--fps", type=typed(frame_rate), metavar="N", help="frames a second (default: the settings')")
    group.add_argument("--photos", type=number("", 0, 1e9), metavar="N", help="number of photos")
    group.add_argument("--shutter", type=number("seconds"), metavar="S", help="exposure time")
    group.add_argument("--move", type=number("seconds"), metavar="S", help="time to move and aim, all waiting included")
    group.add_argument("--interval", type=number("seconds"), metavar="S", help="from one photo to the next")
    group.add_argument("--minutes", type=number("minutes"), metavar="MIN", help="minutes available")
    group.add_argument("--walk", type=number("metres"), metavar="M", help="length of the walk")
    group.add_argument("--step", type=number("metres"), metavar="M", help="from one photo to the next")

    group = made.add_argument_group("exposure")
    group.add_argument("--metered", type=typed(exposure.read_setting), help="such as 'f/8 1/4 ISO 100', no filter on")
    group.add_argument("--aperture", type=typed(aperture), metavar="F", help="of the photos (default: as metered)")
    group.add_argument("--iso", type=number("", 1), metavar="N", help="of the photos (default: as metered)")
    marks = "density (1.8), factor (ND64) or stops ('6 stops'), with commas between"
    group.add_argument(
        "--own", type=typed(filters), default=(), metavar="FILTERS", help=f"filters to choose from: {marks}"
    )
    group.add_argument("--filter", type=typed(filters), default=(), metavar="FILTERS", help="filters on the lens")
    group.add_argument(
        "--noise-reduction", choices=("on", "off"), help="the camera's, for long exposures (default: off)"
    )

    group = made.add_argument_group("lens")
    group.add_argument(
        "--focal", type=number("millimetres", 0.1, 10000), metavar="MM", help="focal length, the real one"
    )
    group.add_argument("--sensor", type=typed(sensor), help=f"{', '.join(geometry.SENSORS)}, or WxH in mm")
    group.add_argument("--near", type=number("metres", 0.01), metavar="M", help="distance of the nearest subject")
    group.add_argument("--far", type=number("metres", 0.01), metavar="M", help="of the farthest (default: infinite)")
    group.add_argument("--hold", type=number("metres", 0.01), metavar="M", help="of the point aimed at (default: far)")
    group.add_argument("--focus", type=number("metres", 0.01), metavar="M", help="focus (default: near and far alike)")
    group.add_argument(
        "--heading", type=number("degrees", 0, 180, True), metavar="DEG",
        help="between the walk and the line of sight: 90 sideways (default), 0 straight ahead",
    )  # fmt: skip
    group.add_argument(
        "--parallax", type=number("pixels"), metavar="PX", help="limit of near against far, of the clip (20)"
    )
    group.add_argument(
        "--margin", type=number("per cent", 0, 40, True), metavar="PERCENT", help="for steadying, each side (5)"
    )
    group.add_argument(
        "--blur", type=number("millimetres", 0, 1), metavar="MM", help="circle of confusion (0.03 on 36x24)"
    )

    group = made.add_argument_group("light")
    group.add_argument("--place", type=typed(place), metavar="LAT,LON", help="degrees, north and east positive")
    group.add_argument("--zone", type=typed(zone), help="time zone: +02:00, or a name of the zone database")
    group.add_argument("--date", type=typed(date), help="of the start: 2026-12-05")
    group.add_argument("--start", type=typed(clock), metavar="HH:MM", help="of the walk (default: civil dusk)")
    group.add_argument("--lamps", type=number("lux", 0, 1e5, True), metavar="LUX", help="light of the lamps (10)")

    group = made.add_argument_group("storage")
    group.add_argument("--megapixels", type=number("megapixels", 0, 1000), metavar="N", help="of a photo (24)")
    group.add_argument("--megabytes", type=number("megabytes", 0, 10000), metavar="MB", help="of a raw file")
    group.add_argument("--card-size", type=number("gigabytes", 0, 1e5), metavar="GB", help="of a memory card")
    group.add_argument("--battery", type=number("", 0), metavar="SHOTS", help="that a battery is rated for (350)")
    group.add_argument("--results", type=Path, metavar="DIR", help="of earlier runs, for the night's time")

    group = made.add_argument_group("what comes out (default: the plan with its reasons, as text)")
    group.add_argument("--json", action="store_true", help="the plan for programs")
    group.add_argument("--card", type=Path, metavar="FILE.pdf", help="write the field card, and FILE.txt beside it")
    group.add_argument("--paper", choices=("a6", "a5"), default="a6", help="of the card (default: a6)")
    group.add_argument("--name", default="", help="of the walk, on the card")
    return made


def aperture(value):
    return read(re.sub(r"^f\s*/?\s*", "", value.strip().lower()), "", 0.5, 128)


def standard():
    """What config/config.yaml says of the clip."""
    return settings.load(REPO / "config" / "config.yaml")


def measured(results, named):
    """Earlier runs: in the folder named, otherwise in the project's own results or the demo's."""
    from files import times

    if results is not None:
        if not results.is_dir():
            fail(f"the results folder {results} does not exist: correct --results, or leave it out")
        return times.measured(results)
    for folder in (REPO / named, REPO / "demo-night" / "results"):
        if found := times.measured(folder):
            return found
    return None


def request(options):
    own = standard()
    aspect = settings.ratio(settings.normalised(own)["aspect"])
    output = deliver.output_size(deliver.MASTER_BOX, aspect)
    paced = ("clip", "fps", "photos", "shutter", "move", "interval", "minutes", "walk", "step")
    return Request(
        pace={name: getattr(options, name) for name in paced if getattr(options, name) is not None},
        fps=float(settings.rate(own["fps"])),
        aspect=float(aspect),
        output=output[0],
        noise_reduction=options.noise_reduction and options.noise_reduction == "on",
        metered=options.metered,
        aperture=options.aperture,
        iso=options.iso,
        owned=options.own,
        fitted=options.filter,
        focal=options.focal,
        sensor=options.sensor,
        near=options.near,
        far=options.far,
        hold=options.hold,
        focus=options.focus,
        heading=options.heading,
        parallax=options.parallax,
        margin=None if options.margin is None else options.margin / 100,
        blur=options.blur,
        place=options.place,
        zone=options.zone,
        date=options.date,
        start=options.start,
        lamps=options.lamps,
        megapixels=options.megapixels,
        megabytes=options.megabytes,
        card=options.card_size,
        rated_shots=options.battery,
        cores=len(os.sched_getaffinity(0)),
        measured=measured(options.results, own["results"]),
    )


def signs_kept(argv):
    """argparse takes '-33.9,18.4' for an option: such a value is joined to the option before it."""
    joined = []
    for argument in argv:
        if joined and joined[-1] in ("--place", "--zone") and re.match(r"-\d", argument):
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


def write_card(plan, options):
    folder = options.card.absolute().parent
    if not folder.is_dir():
        fail(f"the folder {folder} does not exist: make it, or name another with --card")
    from files import card  # draws with Matplotlib, which takes half a second to load

    try:
        card.write(plan, options.card, options.paper, " ".join(options.name.split()))
    except OSError as error:
        fail(f"{options.card}: cannot be written ({error.strerror}); name another file with --card")


def main(argv):
    options = parser().parse_args(signs_kept(argv))
    try:
        plan = whole.make(request(options))
    except (PlanError, settings.SettingsError) as error:
        fail(str(error))
    if options.card:
        write_card(plan, options)
    if options.json:
        print(json.dumps(whole.as_json(plan), indent=1, ensure_ascii=False, allow_nan=False))
    elif not options.card:
        print(text.full(plan), end="")


if __name__ == "__main__":
    # a reader who has seen enough ends it quietly, and a terminal without line signs gets question marks
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    sys.stdout.reconfigure(errors="replace")
    main(sys.argv[1:])
