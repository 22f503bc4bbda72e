"""Photos whose bytes were changed at random are read or refused; benchmarks/mutated.py does thousands."""

import importlib.util
from collections import Counter
from pathlib import Path

from demo.shoots import ShootSpec, make

COUNT = 300


def test_mutated_photos_are_read_or_refused(tmp_path):
    spec = importlib.util.spec_from_file_location("mutated", Path(__file__).parents[2] / "benchmarks" / "mutated.py")
    benchmark = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(benchmark)
    make(tmp_path, ShootSpec(name="walk", size=(90, 60), frames=1, seed=5))
    (photo,) = tmp_path.rglob("*.dng")
    found = benchmark.judged(photo, range(COUNT))
    assert {number: said for number, said in found.items() if said not in ("read", "refused")} == {}
    assert len(found) == COUNT and min(Counter(found.values()).values()) > COUNT / 5, "not all of one kind"
