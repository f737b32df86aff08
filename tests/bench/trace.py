"""Trace against known truth and against a spreadsheet, many seeds; and time and memory over 30, 60, 120 days.

    python -m tests.bench.trace [--seeds 20] [--days 60] [--growth | --nothing]

Prints markdown tables. Every line is invented (tests/simulator); all methods see the same lines.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import time

# one core is what is measured; the command line sets the same
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from models.trace import TraceResult, trace, trace_newest
from tests.simulator.as_input import as_input
from tests.simulator.defects import SHAPES, simulate
from tests.simulator.line import build_line
from tests.simulator.score import Reported, Score
from tests.simulator.spreadsheet import spreadsheet


def reported(result: TraceResult) -> list[Reported]:
    return [
        Reported(
            e.kind, e.x_lo_mm, e.x_hi_mm, e.seen_start_s, e.seen_end_s,
            e.section, e.origin_start_s, e.origin_end_s,
            tuple(c.key for c, _ in e.causes if c.event is not None), e.roll,
        )
        for e in result.episodes
    ]  # fmt: skip


def compare(first: int, seeds: int, days: float) -> None:
    scores = {name: Score([]) for name in ("this tool", "u chart, 3 sigma", "u chart, robust limits")}
    seconds = []
    for seed in range(first, first + seeds):
        rng = np.random.default_rng(seed)
        line = build_line(rng, days)
        made = simulate(rng, line, per_m2=float(rng.uniform(0.03, 0.15)))
        given = as_input(line, made)
        begin = time.process_time()
        result = trace(given)
        seconds.append(time.process_time() - begin)
        scores["this tool"].add(made.truths, reported(result), days)
        scores["u chart, 3 sigma"].add(made.truths, spreadsheet(given, robust=False), days)
        scores["u chart, robust limits"].add(made.truths, spreadsheet(given, robust=True), days)
        print(f"<!-- seed {seed}: {len(made.truths)} episodes, {result.defects_counted} defects, "
              f"{seconds[-1]:.1f} s -->", flush=True)  # fmt: skip
    n = len(scores["this tool"].rows)
    print(f"\n{n} episodes on {seeds} invented lines of {days:.0f} days\n")
    print("| | " + " | ".join(scores) + " |")
    print("| --- |" + " ---: |" * len(scores))
    for label, value in ROWS:
        print(f"| {label} | {' | '.join(value(s) for s in scores.values())} |")
    heads = ("found", "onset error, median h", "section right", "window holds", "event in three")
    print(f"\n| this tool, by shape | {' | '.join(heads)} |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    tool = scores["this tool"]
    for shape in SHAPES:
        onset = tool.values("onset_h", shape=shape)
        cells = [
            percent(tool.share("found", shape=shape)),
            f"{statistics.median(onset):.1f}" if onset else "-",
            percent(tool.share("section_right", shape=shape)),
            percent(tool.share("covered", shape=shape)),
            percent(tool.share("first_three", shape=shape)),
        ]
        print(f"| {shape} | " + " | ".join(cells) + " |")
    usual = statistics.median(seconds)
    print(f"\nmedian {usual:.1f} s of one core ({platform.machine()}, numpy {np.__version__})")


def percent(share: float | None) -> str:
    return "-" if share is None else f"{share:.0%}"


def middle(values: list[float]) -> str:
    return f"{statistics.median(values):.1f}" if values else "-"


ROWS = (
    ("episodes found", lambda s: percent(s.share("found"))),
    ("false episodes in 30 days", lambda s: f"{s.false / s.days * 30:.2f}"),
    ("onset error, median h", lambda s: middle(s.values("onset_h"))),
    ("onset within 1.5 h", lambda s: percent(np.mean([v <= 1.5 for v in s.values("onset_h")]))),
    ("section right", lambda s: percent(s.share("section_right"))),
    ("90 % window holds onset and end", lambda s: percent(s.share("covered"))),
    ("window longer than the upset, median h", lambda s: middle(s.values("extra_h"))),
    ("true event first", lambda s: percent(s.share("first"))),
    ("true event among three", lambda s: percent(s.share("first_three"))),
    ("roll right", lambda s: percent(s.share("roll_right"))),
    ("streets found", lambda s: percent(s.share("found", shape="street"))),
)


def nothing(first: int, seeds: int, days: float) -> None:
    """Restless backgrounds without a single episode: how often is one raised, and at which p."""
    raised: list[float] = []
    lines = 0
    for seed in range(first, first + seeds):
        rng = np.random.default_rng(seed)
        line = build_line(rng, days)
        made = simulate(rng, line, per_m2=float(rng.uniform(0.03, 0.15)), episodes=0)
        found = [e.p_value for e in trace(as_input(line, made)).episodes]
        raised += found
        lines += bool(found)
    rate = len(raised) / (seeds * days) * 30
    print(f"{seeds} lines of {days:.0f} days without episodes: {len(raised)} raised ({rate:.2f} in 30 days),")
    print(f"on {lines} of the lines; p values {sorted(round(p, 4) for p in raised)}")


def growth() -> None:
    """Time and memory over the length of the record, same seed and rate."""
    print(
        "| days | sheets | defects | trace, s of one core | ratio to 30 days | a day more, s | memory, MB |"
    )
    print("| ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
    base = None
    for days in (30.0, 60.0, 120.0):
        rng = np.random.default_rng(7)
        line = build_line(rng, days)
        given = as_input(line, simulate(rng, line, per_m2=0.15))
        times, more = [], []
        for _ in range(3):
            begin = time.process_time()
            result = trace(given)
            times.append(time.process_time() - begin)
            begin = time.process_time()
            trace_newest(given, result)
            more.append(time.process_time() - begin)
        took, day = statistics.median(times), statistics.median(more)
        base = took if days == 30 else base
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        ratio = "-" if base is None else f"{took / base:.2f}"
        sheets, defects = given.sheets.start_m.size, given.defects.kind.size
        print(
            f"| {days:.0f} | {sheets} | {defects} | {took:.2f} | {ratio} | {day:.2f} | {peak:.0f} |",
            flush=True,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--days", type=float, default=60.0)
    parser.add_argument("--growth", action="store_true", help="time and memory only")
    parser.add_argument("--nothing", action="store_true", help="lines without episodes: count what is raised")
    options = parser.parse_args()
    if options.growth:
        growth()
    elif options.nothing:
        nothing(options.first, options.seeds, options.days)
    else:
        compare(options.first, options.seeds, options.days)
