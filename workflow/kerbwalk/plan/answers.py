"""What a part of the plan hands back: values that say where they come from."""

from dataclasses import dataclass

ASKED, ASSUMED, FOUND = "asked", "assumed", "found"


class PlanError(ValueError):
    """The plan cannot be made; the text is one sentence: what, why, what to do."""


@dataclass(frozen=True)
class Answer:
    """One line of the plan.

    value: number, text or list, in `unit` ("" for a bare number or a text); because: where it comes from, in words;
    kind: asked (given by the user), assumed, or found (follows from others); rests_on: names of the assumed
    quantities that it depends on, directly or not.
    """

    value: object
    unit: str
    because: str
    kind: str = FOUND
    rests_on: tuple[str, ...] = ()
