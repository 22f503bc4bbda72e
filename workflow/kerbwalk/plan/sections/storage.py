"""Cards, batteries, and the computer's night."""

import math

from kerbwalk.plan import storage
from kerbwalk.plan.answers import ASKED, ASSUMED, Answer
from kerbwalk.plan.quantities import show
from kerbwalk.plan.request import given


def answers(request, paced):
    """{name: Answer}."""
    photos, minutes = paced["photos"].value, paced["minutes"].value
    rests = paced["photos"].rests_on
    found = {}
    megapixels = given(request.megapixels, 24.0, "megapixels", "a usual camera")
    found["megapixels"] = megapixels
    if request.megabytes is None:
        size = storage.raw_megabytes(megapixels.value)
        found["megabytes"] = Answer(size, "MB", "10 bits a pixel, losslessly compressed (common practice)", ASSUMED)
    else:
        found["megabytes"] = Answer(request.megabytes, "MB", "asked", ASKED)
    each = found["megabytes"].value
    found["walk_megabytes"] = Answer(photos * each, "MB", "photos x size of a raw file", rests_on=rests)
    if request.card is not None:
        holds = storage.shots_on(request.card, each)
        found["card_shots"] = Answer(holds, "photos", f"on {show(request.card)} GB")
        found["cards"] = Answer(math.ceil(photos / max(1, holds)), "", "photos / photos on a card", rests_on=rests)
    rated = given(request.rated_shots, 350.0, "shots", "the number is in the camera's manual (CIPA DC-002)")
    needed = storage.batteries(minutes, rated.value)
    found["rated_shots"] = rated
    why = f"{show(needed, 2)} charges: a rated shot is 30 s of work, in the cold 0.7 of it; and one in the pocket"
    found["batteries"] = Answer(math.ceil(needed) + 1, "", why, rests_on=paced["minutes"].rests_on)
    measured = request.measured
    source = (
        f"measured here on {measured.photos} photos of earlier runs"
        if measured
        else "estimate from the project's benchmark, as nothing is measured on this machine yet"
    )
    cores = f"{request.cores} core{'s' if request.cores > 1 else ''}"
    night = storage.night_seconds(photos, megapixels.value, request.cores, measured) / 60
    found["night"] = Answer(night, "min", f"{source}; {cores}", rests_on=rests)
    found["night_megabytes"] = Answer(storage.night_megabytes(photos, measured), "MB", source, rests_on=rests)
    return found
