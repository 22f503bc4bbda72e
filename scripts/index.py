"""Write the page over all shoots.

Output index.html: the finished shoots, from their card.json (format: scripts/report.py), and the unfinished
with the reason, and with what an earlier run has made of them.
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

    cards = sorted((stage.read_json(path) for path in args.cards), key=lambda card: card["name"])
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


if __name__ == "__main__":
    stage.run(main)
