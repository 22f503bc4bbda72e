"""Write the page over all shoots.

Output index.html: the unfinished shoots with the reason, and with what an earlier run has made of them; and the
finished, from their card.json (format: scripts/report.py), first those that want to be looked at, then as given.
"""

import _workflow  # noqa: F401
import json
from fractions import Fraction

from files import pages, stage

# What the card of an earlier version, of a shoot that this run has not made, may lack.
LATER = {"taken": None, "panned": False, "unsure": None, "amiss": []}


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--cards", nargs="*", default=[])
    parser.add_argument("--unfinished", required=True, type=json.loads, help="JSON: {shoot: [sentence, ...]}")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    cards = sorted((LATER | stage.read_json(path) for path in args.cards), key=calm)
    for card in cards:
        card["seconds"] = float(card["frames"] / Fraction(card["rate"]))
    page = pages.render(
        "index.html",
        cards=[card for card in cards if card["name"] not in args.unfinished],
        earlier={card["name"]: card for card in cards if card["name"] in args.unfinished},
        unfinished=sorted(args.unfinished.items()),
    )
    stage.write_text(args.out, page)


def calm(card):
    """How little a shoot wants to be looked at: 0 if its clip is hardly what is wanted, 1 if there are faults or
    warnings of its photos, or its light is not sure, 2 otherwise.
    """
    if card["amiss"]:
        return 0
    return 1 if card["findings"]["fault"] or card["findings"]["warning"] or card["unsure"] else 2


if __name__ == "__main__":
    stage.run(main)
