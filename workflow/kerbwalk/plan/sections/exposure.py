"""The exposure: what is set, what noise reduction costs, which filter."""

import math

from kerbwalk.plan import exposure
from kerbwalk.plan.answers import ASKED, ASSUMED, Answer, PlanError
from kerbwalk.plan.quantities import show, show_shutter

# A shutter that is asked for and one that the filter leads to may differ by half a third of a stop.
NEAR_ENOUGH = 1 / 6


def shutter_found(request):
    """The shutter that metering and the fitted filter lead to, for pace.solve."""
    if not (request.metered and request.fitted):
        return {}
    aperture, iso = taken_at(request)
    seconds = exposure.shutter_through(request.metered, aperture, iso, exposure.total(request.fitted))
    named = exposure.named(request.fitted)
    asked = request.pace.get("shutter")
    if asked is None:
        return {"shutter": (exposure.on_dial(seconds), f"metered, through {named}: {show_shutter(seconds)}")}
    off = -exposure.tv(asked) - math.log2(seconds)
    if abs(off) > NEAR_ENOUGH:
        raise PlanError(
            f"metered, through {named}, the shutter is {show_shutter(seconds)}, against {show_shutter(asked)} "
            f"({show(abs(off), 2)} stops too {'bright' if off > 0 else 'dark'}): leave out --shutter or --filter, "
            "or change --aperture or --iso"
        )
    return {}


def taken_at(request):
    """(aperture, ISO) of the photos: as asked, otherwise as metered."""
    metered = request.metered
    return request.aperture or (metered and metered.aperture), request.iso or (metered and metered.iso)


def answers(request, paced):
    """{name: Answer}."""
    shutter = paced["shutter"].value
    aperture, iso = taken_at(request)
    found = {"shutter": paced["shutter"]}
    lasts = exposure.true_shutter(shutter)
    if abs(lasts - shutter) > 0.02 * shutter:
        found["lasts"] = Answer(lasts, "s", f"what a dial's {show_shutter(shutter)} stands for (APEX)")
    for name, value, metered in (("aperture", aperture, request.aperture), ("iso", iso, request.iso)):
        if value:
            found[name] = Answer(value, "", "asked" if metered else "as metered", ASKED)
    noise = request.noise_reduction
    minutes = paced["photos"].value * shutter / 60
    if noise:
        because = f"asked; each photo takes its shutter time twice, {show(minutes)} minutes in all"
        found["noise_reduction"] = Answer("on", "", because, ASKED)
    else:
        because = f"on, the walk would take {show(minutes)} minutes more"
        found["noise_reduction"] = Answer("off", "", because, ASKED if noise is False else ASSUMED)
    found["reciprocity"] = Answer("none", "", "sensors, unlike film, need no longer time for a long exposure")
    if request.metered:
        found |= _filters(request, exposure.Setting(aperture, shutter, iso))
    return found


def _filters(request, wanted):
    if request.fitted:
        stops = exposure.total(request.fitted)
        return {
            "filter": Answer(exposure.named(request.fitted), "", "asked", ASKED),
            "filter_stops": Answer(stops, "stops", "densities of the filters fitted / log10 2"),
        }
    needed = exposure.stops_to_take(request.metered, wanted)
    found = {"needed_stops": Answer(needed, "stops", "log2 of the light that the photo gets over the metered")}
    if needed <= NEAR_ENOUGH:
        more = " ".join([show(-needed, 2), "stops more light are needed: open up, raise the ISO, or expose for longer"])
        text = more if needed < -NEAR_ENOUGH else "the metered exposure is right as it is"
        return found | {"filter": Answer("no filter", "", text)}
    found["needed_density"] = Answer(needed * math.log10(2), "", "stops x log10 2 (ISO 5-2)")
    found["needed_factor"] = Answer(2**needed, "times", "2 ^ stops")
    if request.owned:
        best, *others = exposure.combinations(request.owned, needed)
        leads = exposure.shutter_through(request.metered, wanted.aperture, wanted.iso, exposure.total(best))
        found["filter"] = Answer(exposure.named(best), "", "of those owned, the nearest")
        found["filter_shutter"] = Answer(
            exposure.on_dial(leads),
            "s",
            f"with it: {show_shutter(leads)}, on the dial; or keep the shutter, and "
            f"change ISO or aperture by {show(abs(needed - exposure.total(best)), 2)} stops",
        )
        if others:
            found["other_filter"] = Answer(exposure.named(others[0]), "", "of those owned, the next nearest")
    return found
