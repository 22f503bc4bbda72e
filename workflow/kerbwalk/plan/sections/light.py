"""The light: sun, twilights, moon, and when to change the exposure."""

import datetime

from kerbwalk.plan import sky
from kerbwalk.plan.answers import ASKED, ASSUMED, Answer, PlanError
from kerbwalk.plan.quantities import show
from kerbwalk.plan.request import given

LONGEST = 24 * 60  # minutes
USUAL_LAMPS = 10.0  # lux; streets are lit to some 2 to 15 lux (EN 13201-2, classes P1 to P6; from memory)


def answers(request, paced):
    """{name: Answer}."""
    place = sky.Place(*request.place)
    if request.date is None or request.zone is None:
        raise PlanError("the light of a place needs a date and a time zone: give --date and --zone")
    if paced["minutes"].value > LONGEST:
        hours = show(paced["minutes"].value / 60)
        raise PlanError(f"the walk takes {hours} hours, and light is told for one night: leave out --place")
    start, end = _walk(request, paced, place)
    middle = sky.later(start.value, paced["minutes"].value * 30)
    noons = sky.night_around(start.value)
    lamps = given(request.lamps, USUAL_LAMPS, "lux", "a street with lamps; 0 for an unlit place")
    found = {"start": start, "end": end}
    for name, when in (("start", start.value), ("middle", middle), ("end", end.value)):
        height = sky.sun_height(place, when)
        found[f"sun_{name}"] = Answer(height, "degrees", f"the sun's height at {when:%H:%M}, without refraction")
    for when, name in sky.moments(place, *noons):
        height = sky.sun_height(place, when)
        found[name.replace(" ", "_")] = Answer(when, "", f"the sun's middle at {height:.1f} degrees")
    moon = sky.moon(place, middle)
    because = f"{show(moon.lit * 100, 2)} % of the disc lit"
    found["moon"] = Answer(sky.phase_name(moon), "", because)
    found["moon_height"] = Answer(moon.height, "degrees", f"at {middle:%H:%M}, without refraction")
    for when, name in sky.moon_moments(place, *noons):
        found[name] = Answer(when, "", "its upper edge on the level horizon")
    sky_alone, with_lamps = sky.fall(place, start.value, paced["minutes"].value * 60, lamps.value)
    clear = "light on level ground under a clear sky"
    changes = sky.changes(place, start.value, paced["photos"].value, paced["interval"].value, lamps.value)
    return found | {
        "lamps": lamps,
        "sky_falls": Answer(sky_alone, "stops", f"{clear}, from the start to the end; below 0 it rises"),
        "light_falls": Answer(with_lamps, "stops", "the same with the lamps"),
        "changes": Answer(
            [{"photo": number, "time": when, "stops": stops} for number, when, stops in changes],
            "",
            "at each, the light is one stop off; change ISO, so that blur and interval stay",
        ),
    }


def _walk(request, paced, place):
    """The start and the end of the walk, Answers."""
    if request.start is not None:
        start = Answer(sky.local_start(request.date, request.start, request.zone), "", "asked", ASKED)
    else:
        noon = datetime.datetime.combine(request.date, datetime.time(12), request.zone)
        dusks = [when for when, name in sky.moments(place, *sky.night_around(noon)) if name == "civil dusk"]
        if not dusks:
            raise PlanError(f"there is no civil dusk on {request.date} at this place to start at: give --start")
        start = Answer(dusks[0].replace(second=0), "", "civil dusk", ASSUMED)
    return start, Answer(sky.later(start.value, paced["minutes"].value * 60), "", "start + minutes")
