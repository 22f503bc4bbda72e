"""Read the table of gains that light writes (format: scripts/light.py)."""

import csv
import math


def read_gains(path):
    """{photo: {column: number}} from gains.csv; an empty field is NaN."""
    with open(path, newline="", encoding="utf-8") as file:
        return {
            row.pop("photo"): {key: float(value) if value else math.nan for key, value in row.items()}
            for row in csv.DictReader(file)
        }
