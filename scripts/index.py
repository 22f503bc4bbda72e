"""Write the page over all shoots.

Output index.html: the unfinished shoots with the reason, and with what an earlier run has made of them; and the
finished, from their card.json (format: scripts/report.py), first those that want to be looked at, then as given.
"""

import _workflow  # noqa: F401
import json
from fractions import Fraction

from files import pages, stage
from kerbwalk import report


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--cards", nargs="*", default=[])
    parser.add_argument("--unfinished", required=True, type=json.loads, help="JSON: {shoot: [sentence, ...]}")
    parser.add_argument("--out", required=True)
    args = parser.parse_args()

    # A card that an earlier version has left, of a shoot that is not finished now, may lack these.
    cards = sorted(({"taken": None, "unsure": None} | stage.read_json(path) for path in args.cards), key=calm)
    for card in cards:
        card["seconds"] = float(card["frames"] / Fraction(card["rate"]))
    page = pages.render(
        "index.html",
        cards=[card for card in cards if card["name"] not in args.unfinished],
        earlier={card["name"]: card for card in cards if card["name"] in args.unfinished},
        unfinished=sorted(args.unfinished.items()),
        hold_bar=report.HOLD_BAR,
        flicker_bar=report.FLICKER_BAR,
    )
    stage.write_text(args.out, page)


def calm(card):
    """How little a shoot wants to be looked at: 0 if it is above a limit or its hold point was not seen, 1 if there are
    faults or warnings of its photos, or its light is not sure, 2 otherwise.
    """
    unseen = card["hold_rms"] is None and not card["panned"]
    if unseen or (card["hold_rms"] or 0) >= report.HOLD_BAR or card["flicker"] >= report.FLICKER_BAR:
        return 0
    return 1 if card["findings"]["fault"] or card["findings"]["warning"] or card["unsure"] else 2


if __name__ == "__main__":
    stage.run(main)
