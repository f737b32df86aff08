"""What a plant's own tracer run is worth where the melter is no plug flow and stirred tanks.

    python -m tests.bench.tracer [--seeds 24] [--first 100]

Every line has a melter of two paths side by side, a quick and a slow one, a seventh of its mass standing
still, while the plant believes its figures; its laboratory took samples at the cutter for a fortnight, every
four hours, good to 2 % of the peak. Traced three times: with the figures, the tracer run, and the true curve.
"""

from __future__ import annotations

import argparse
import os
import statistics
from dataclasses import replace

# one core is what is measured; the command line sets the same
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from models.ribbon import MeasuredResidence, VesselChain, analyse
from models.trace import TraceInput, trace
from tests.bench.trace import percent, reported
from tests.simulator.as_input import as_input
from tests.simulator.defects import SimDefects, simulate
from tests.simulator.line import DAY, SimLine, build_line
from tests.simulator.score import Score
from tests.simulator.tracer import readings, tracer_samples, with_two_paths

DAYS = 30.0
WAYS = ("plant figures", "tracer run", "true curve")


def two_path_line(seed: int) -> tuple[SimLine, SimDefects, dict[str, TraceInput]]:
    """One line with three upsets of its melter, and what each way of tracing is given."""
    rng = np.random.default_rng(seed)
    line = with_two_paths(build_line(rng, DAYS), rng)
    made = simulate(rng, line, per_m2=0.12, shapes=("melter",), episodes=3)
    given = as_input(line, made)
    begin = float(line.log_times[0] + 2 * DAY)
    run = analyse(readings(line, *tracer_samples(line, rng, begin, 14.0), begin))
    tonnes, share = VesselChain((line.figures.true_melter, line.figures.true_refiner)).table()
    truth = MeasuredResidence(tonnes, np.append(share[:-1], 1.0))
    curves = ((), run.draws, (truth,))
    ways = {
        way: replace(given, vessels=replace(given.vessels, melter_and_refiner_tracer=curve))
        for way, curve in zip(WAYS, curves, strict=True)
    }
    return line, made, ways


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=24)
    parser.add_argument("--first", type=int, default=100)
    options = parser.parse_args()
    scores = {way: Score([]) for way in WAYS}
    for seed in range(options.first, options.first + options.seeds):
        _, made, ways = two_path_line(seed)
        for way, given in ways.items():
            scores[way].add(made.truths, reported(trace(given)), DAYS)
    upsets = len(scores[WAYS[0]].rows)
    print(f"{upsets} upsets of melters with two paths, {options.seeds} lines of {DAYS:.0f} days\n")
    print("| | " + " | ".join(WAYS) + " |")
    print("| --- |" + " ---: |" * len(WAYS))
    rows = (
        ("found", "found", percent),
        ("section right", "section_right", percent),
        ("90 % window holds onset and end", "covered", percent),
    )
    for label, what, show in rows:
        print(f"| {label} | " + " | ".join(show(scores[way].share(what)) for way in WAYS) + " |")
    extra = (f"{statistics.median(scores[way].values('extra_h')):.1f}" for way in WAYS)
    print("| window longer than the upset, median h | " + " | ".join(extra) + " |")


if __name__ == "__main__":
    main()
