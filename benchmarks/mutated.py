#!/usr/bin/env python3
"""Read photos whose bytes were changed at random: each is read, or refused with a sentence, in bounded time and memory.

usage: python benchmarks/mutated.py PHOTO [--count 10000] [--seed 1]

PHOTO is a raw file (the smaller the quicker). Every change is drawn from its number, so that --seed N --count 1 repeats
one. Photos are read as ingest and decode read them, in processes of their own with a limit of memory; one that says
nothing for a while is ended. Prints how many were read, refused, and neither (with their numbers); exit status 1 for
the last.
"""

import argparse
import random
import resource
import select
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
MEMORY = 6 << 30  # bytes of address space, most of which libraries only reserve
SECONDS = 20  # for one photo
HEADER = 4096  # bytes in which formats keep what misleads readers
EXTREME = (0, 1, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 1_000_000, 0x7FFFFFFF, 0xFFFFFFFF)


def mutated(data, number):
    """The bytes of a photo, changed in one to eight places; number: which change."""
    chance = random.Random(number)
    data = bytearray(data)
    for _ in range(chance.randint(1, 8)):
        place = chance.randrange(min(HEADER, len(data)) if chance.random() < 0.9 else len(data))
        kind = chance.randrange(5)
        if kind == 0:
            data[place] ^= 1 << chance.randrange(8)
        elif kind == 1:
            width = chance.choice((2, 4))
            value = chance.choice(EXTREME) & ((1 << 8 * width) - 1)
            data[place : place + width] = value.to_bytes(width, chance.choice(("little", "big")))
        elif kind == 2:
            source = chance.randrange(min(HEADER, len(data)))
            data[place : place + 12] = data[source : source + 12]
        elif kind == 3:
            data[place:place] = chance.randbytes(chance.randint(1, 16))
        else:
            del data[place : place + chance.choice((1, 4, 12, 1000))]
        if not data:
            break
    if chance.random() < 0.1:
        del data[chance.randrange(len(data) + 1) :]
    return bytes(data)


def work(photo, numbers):
    """Read photos, each changed as its number says, and print a line for each: its number, and read or refused."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    sys.path.insert(0, str(ROOT / "workflow"))
    from files.photo import PhotoError, read_linear, read_photo

    original = photo.read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "mutated" + photo.suffix)
        for number in numbers:
            path.write_bytes(mutated(original, number))
            record, _ = read_photo(path)
            said = "refused" if record["problem"] else "read"
            if said == "read":
                try:
                    read_linear(path, [2.0, 1.0, 1.5], False)
                except PhotoError:
                    said = "refused"
            print(number, said, flush=True)


def judged(photo, numbers):
    """{number: read, refused, or how it went wrong} of photos so changed."""
    numbers, found = list(numbers), {}
    while numbers:
        command = [sys.executable, __file__, str(photo), "--numbers", *map(str, numbers)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            while select.select([process.stdout], [], [], SECONDS)[0] and (line := process.stdout.readline()):
                number, said = line.split()
                found[int(number)] = said
            hangs = process.poll() is None and not select.select([process.stdout], [], [], 0)[0]
            process.kill()
            errors = process.stderr.read().strip().splitlines()
        left = [number for number in numbers if number not in found]
        if left:
            how = "hangs" if hangs else errors[-1] if errors else f"ended by signal {-process.returncode}"
            found[left[0]] = how
        numbers = left[1:]
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", type=Path)
    parser.add_argument("--count", type=int, default=10000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--numbers", type=int, nargs="+", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.numbers:
        return work(options.photo, options.numbers)
    found = {}
    for start in range(options.seed, options.seed + options.count, 500):
        found |= judged(options.photo, range(start, min(start + 500, options.seed + options.count)))
    good = {number: said for number, said in found.items() if said in ("read", "refused")}
    counted = Counter(good.values())
    print(f"{len(found)} photos: {counted['read']} read, {counted['refused']} refused, {len(found) - len(good)} wrong")
    print(*(f"{number}: {said}" for number, said in found.items() if number not in good), sep="\n")
    return int(len(good) < len(found))


if __name__ == "__main__":
    sys.exit(main())
