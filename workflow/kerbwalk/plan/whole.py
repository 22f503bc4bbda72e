"""The whole plan: each section's answers, and what to be warned of."""

import datetime
import math
from dataclasses import dataclass

from kerbwalk.plan import geometry, pace
from kerbwalk.plan.cautions import cautions
from kerbwalk.plan.sections import exposure, lens, storage


@dataclass(frozen=True)
class Plan:
    """sections: {section: {name: Answer}}; cautions: sentences; view: geometry.View or None."""

    sections: dict
    cautions: list
    view: geometry.View | None


def make(request):
    """The Plan of a Request. Raises PlanError."""
    view = lens.view(request)
    found = exposure.shutter_found(request)
    paced = pace.solve(request.pace, request.fps, bool(request.noise_reduction), found, lens.step_limit(request, view))
    sections = {"pace": paced, "exposure": exposure.answers(request, paced)}
    if view:
        sections["lens"] = lens.answers(request, view, paced)
    if request.place:
        from kerbwalk.plan.sections import light  # with the astronomy library, only where it is asked for

        sections["light"] = light.answers(request, paced)
    sections["storage"] = storage.answers(request, paced)
    return Plan(sections, cautions(request, sections), view)


def as_json(plan):
    """The plan as tables and lists for JSON: moments as ISO 8601 text, infinite distances as null."""
    sections = {
        section: {
            name: {
                "value": _plain(answer.value),
                "unit": answer.unit,
                "because": answer.because,
                "kind": answer.kind,
                "rests_on": list(answer.rests_on),
            }
            for name, answer in answers.items()
        }
        for section, answers in plan.sections.items()
    }
    return {**sections, "cautions": plan.cautions}


def _plain(value):
    if isinstance(value, datetime.datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, float) and math.isinf(value):
        return None
    if isinstance(value, list):
        return [{key: _plain(item) for key, item in row.items()} for row in value]
    return value
