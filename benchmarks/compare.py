#!/usr/bin/env python3
"""Measure Kerbwalk on a demo shoot, against the plain way (baseline.py) and against floors, in one session.

usage: benchmarks/compare.py OUT [--frames 120] [--size 3000x2000] [--cores 2] [--times 1]

OUT holds the shoot (made the first time, then taken as it is) and the results, which are made anew ("cold": nothing
decoded, nothing composed; the compiled code of the maths stays), then again with another look, and with another hold
point. Floors: what no program that does the same can spend less than, LibRaw on all cores with its PPG, and H.264's
encoder on the finished frames.
With --times N everything is measured N times by turns and the quickest is taken, as noise only ever adds; where
other programs share the machine, the processor time says more than the clock.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import time
from collections import defaultdict
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
SHOOT = "tram-square"
# In a process of its own, as the stages are; the threads share the photos.
LIBRAW = """
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
import rawpy
sys.path[:0] = [sys.argv[1] + "/workflow"]
from kerbwalk.decode import reduction
half = reduction(*(int(n) for n in sys.argv[3].split("x")), [(1920, 1080)])[0]
def decode(photo):
    with rawpy.imread(str(photo)) as raw:
        raw.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm.PPG, half_size=half, user_wb=[2.0, 1.0, 1.5, 1.0], gamma=(1, 1),
            output_color=rawpy.ColorSpace.raw, output_bps=16, no_auto_bright=True, adjust_maximum_thr=0,
        )
with ThreadPoolExecutor(int(sys.argv[4])) as pool:
    list(pool.map(decode, sorted(Path(sys.argv[2]).glob("*.dng"))))
"""
ENCODER = """
import sys
sys.path[:0] = [sys.argv[1] + "/workflow"]
from files import encoders
from house import recipes, settings
recipe = recipes.resolved(settings.load(sys.argv[1] + "/config/config.yaml"), "config.yaml")["hd"]
encoders.from_ready(recipe, sys.argv[3:], {}, sys.argv[2])
"""


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, metavar="OUT")
    parser.add_argument("--frames", type=int, default=120)
    parser.add_argument("--size", default="3000x2000")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--times", type=int, default=1)
    options = parser.parse_args()
    out, cores = options.out.resolve(), str(options.cores)
    sys.path[:0] = [str(REPO / "scripts"), str(REPO / "workflow")]
    import _bootstrap

    env = _bootstrap.ensure("default")
    python, variables = _bootstrap.python_of(env), _bootstrap.environ(env)
    demo = [python, REPO / "scripts" / "demo", out, "--only", SHOOT, "--jobs", cores]
    subprocess.run([*demo, "--frames", str(options.frames), "--size", options.size], env=variables, check=True)
    photos, results = out / "shoots" / SHOOT, out / "results"
    run = [python, REPO / "scripts" / "run", "--cores", cores, "--config"]
    work = results / SHOOT / "work"
    encoder = [python, "-c", ENCODER, REPO, out / "encoded.mp4"]
    cold = [*run, f"shoots={out / 'shoots'}", f"results={results}"]
    jobs = {
        "kerbwalk": cold,
        "another look": [*cold, "look={exposure: 0.3}"],
        "another hold point": [*cold, "hold=[0.45, 0.4]"],
        "baseline": [python, REPO / "benchmarks" / "baseline.py", photos, out / "baseline.mp4"],
        "floor: LibRaw": [python, "-c", LIBRAW, REPO, photos, options.size, cores],
        "floor: H.264": encoder,
    }
    taken, stages = defaultdict(list), {}
    print(f"load before: {os.getloadavg()[0]:.1f}", flush=True)
    for _ in range(options.times):
        for name, command in jobs.items():
            if name == "kerbwalk":
                shutil.rmtree(results, ignore_errors=True)
            parts = sorted(work.glob("composed/*.yuv")) if command is encoder else []
            spent = measured([*command, *parts], variables, out / f"{name.replace(':', '').replace(' ', '-')}.log")
            if name == "kerbwalk" and spent < min(taken[name], default=(float("inf"),)):
                stages = times_of(results)
            taken[name].append(spent)
    show(options, {name: min(values) for name, values in taken.items()}, stages)


def measured(command, variables, log):
    """(seconds by the clock, seconds of processor time) of a command that must succeed."""
    with log.open("wb") as file:
        start, before = time.perf_counter(), processor_time()
        done = subprocess.run(
            list(map(str, command)), env=variables, stdout=file, stderr=subprocess.STDOUT, check=False
        )
        spent = time.perf_counter() - start, processor_time() - before
    if done.returncode:
        raise SystemExit(f"compare: {log.stem} failed; {log} says why")
    return spent


def processor_time():
    """Seconds that all processes started from here, and theirs, have spent once they have ended."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def times_of(results):
    """{stage: (jobs, seconds in all of them)} from Snakemake's benchmark files, in the order in which they ended."""
    from files import benchmark

    stages = defaultdict(list)
    for path in sorted(results.glob("*/work/times/*.tsv"), key=lambda file: file.stat().st_mtime):
        stage, figures = benchmark.read(path)
        stages[stage].append(float(figures["s"]))
    return {stage: (len(seconds), sum(seconds)) for stage, seconds in stages.items()}


def show(options, taken, stages):
    whole, whole_processor = taken["kerbwalk"]
    floor = sum(processor for name, (_, processor) in taken.items() if name.startswith("floor"))
    print(f"\n{options.frames} photos of {options.size}, {options.cores} cores, least of {options.times}\n")
    print(
        "| what | seconds | kerbwalk takes | processor seconds | kerbwalk takes |\n| --- | ---: | ---: | ---: | ---: |"
    )
    for name, (clock, processor) in taken.items():
        ratios = f"{whole / clock:.2f} x | {processor:.1f} | {whole_processor / processor:.2f} x"
        print(f"| {name} | {clock:.1f} | {ratios} |")
    above, busy = (whole_processor - floor) / options.frames, whole_processor / whole / options.cores
    print(f"\nabove the floors: {above:.2f} processor seconds a photo; cores busy: {busy:.0%}")
    print("\n| stage | jobs | seconds in all |\n| --- | ---: | ---: |")
    for stage, (jobs, seconds) in stages.items():
        print(f"| {stage} | {jobs} | {seconds:.1f} |")


if __name__ == "__main__":
    main()
