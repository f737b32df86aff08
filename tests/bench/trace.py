"""Trace against known truth and against a spreadsheet, many seeds; and time and memory over 30, 60, 120 days.

    python -m tests.bench.trace [--seeds 20] [--days 60] [--restless] [--book]
    python -m tests.bench.trace --growth | --nothing [--restless] | --awkward
    python -m tests.bench.trace --untold [--restless | --sparse]

Prints markdown tables. Every line is invented (tests/simulator); all methods see the same lines.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import time
from dataclasses import dataclass, replace

# one core is what is measured; the command line sets the same
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from models.trace import TraceInput, TraceResult, trace, trace_newest
from tests.simulator.as_input import as_input
from tests.simulator.awkward import CASES, awkward
from tests.simulator.defects import SHAPES, SimDefects, simulate
from tests.simulator.furnace import TrueExcursion, furnace_log, unhelpful_book
from tests.simulator.line import build_line
from tests.simulator.passed_over import pass_shifts, told, untold
from tests.simulator.restless import restless_line
from tests.simulator.score import Reported, Score, overlap
from tests.simulator.spreadsheet import spreadsheet


def reported(result: TraceResult) -> list[Reported]:
    return [
        Reported(
            e.kind, e.x_lo_mm, e.x_hi_mm, e.seen_start_s, e.seen_end_s,
            e.section, e.origin_start_s, e.origin_end_s,
            tuple(c.key for c, _ in e.causes if c.event is not None), e.roll, e.onset_s,
        )
        for e in result.episodes
    ]  # fmt: skip


def invented(seed: int, days: float, *, restless: bool, book: bool, episodes: int | None = None) -> Case:
    """One line; `restless`: the second background; `book`: readings, and entries that seldom help."""
    rng = np.random.default_rng(seed)
    line = restless_line(rng, days) if restless else build_line(rng, days)
    per_m2 = float(rng.uniform(0.03, 0.15))
    made = simulate(rng, line, per_m2=per_m2, episodes=episodes, restless=restless)
    if not book:
        return Case(made, as_input(line, made), [])
    tags, shown = furnace_log(rng, line, made)
    made = unhelpful_book(rng, line, made, shown)
    return Case(made, replace(as_input(line, made), tags=tuple(tags)), shown)


@dataclass(frozen=True)
class Case:
    made: SimDefects
    given: TraceInput
    shown: list[TrueExcursion]


def compare(first: int, seeds: int, days: float, restless: bool, book: bool) -> None:
    scores = {name: Score([]) for name in ("this tool", "u chart, 3 sigma", "u chart, robust limits")}
    tool = scores["this tool"]
    seconds, readings = [], []
    for seed in range(first, first + seeds):
        case = invented(seed, days, restless=restless, book=book)
        begin = time.process_time()
        result = trace(case.given)
        seconds.append(time.process_time() - begin)
        tool.add(case.made.truths, reported(result), days)
        readings += _reading_ranks(case, result)
        for name, robust in (("u chart, 3 sigma", False), ("u chart, robust limits", True)):
            scores[name].add(case.made.truths, spreadsheet(case.given, robust=robust), days)
        print(f"<!-- seed {seed}: {len(case.made.truths)} episodes, {result.defects_counted} defects, "
              f"{seconds[-1]:.1f} s -->", flush=True)  # fmt: skip
    print(f"\n{len(tool.rows)} episodes on {seeds} invented lines of {days:.0f} days\n")
    print("| | " + " | ".join(scores) + " |")
    print("| --- |" + " ---: |" * len(scores))
    for label, value in ROWS:
        print(f"| {label} | {' | '.join(value(s) for s in scores.values())} |")
    for what, values in (("shape", SHAPES), ("section", SECTIONS)):
        print(f"\n| this tool, by {what} | n | {' | '.join(PARTS)} |")
        print("| --- | ---: |" + " ---: |" * len(PARTS))
        for value in values:
            part = Score([r for r in tool.rows if r[what] == value])
            if part.rows:
                cells = " | ".join(f(part) for f in PARTS.values())
                print(f"| {value} | {len(part.rows)} | {cells} |")
    if readings:
        first_three = percent(float(np.mean(readings)))
        print(f"\n{len(readings)} upsets that only a reading shows: among the first three {first_three}")
    usual = statistics.median(seconds)
    print(f"\nmedian {usual:.1f} s of one core ({platform.machine()}, numpy {np.__version__})")


def _reading_ranks(case: Case, result: TraceResult) -> list[bool]:
    """Whether the reading that shows an upset is among the first three causes of its episode."""
    ranks = []
    said = reported(result)
    for s in case.shown:
        truth = case.made.truths[s.row]
        best = max(range(len(said)), key=lambda n: overlap(truth, said[n]), default=None)
        if best is None or overlap(truth, said[best]) <= 0.15:
            continue
        ranks.append(any(
            c.excursion is not None and c.excursion.tag == s.tag
            and c.start_s < s.end_s and c.excursion.end_s > s.start_s
            for c, _ in result.episodes[best].causes[:3]
        ))  # fmt: skip
    return ranks


def cases(first: int, seeds: int) -> None:
    """The awkward cases, one a line of 16 days."""
    print("| case | found | false | seen onset, median h | within 1.5 h | section right | window holds |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for case in CASES:
        score = Score([])
        for seed in range(first, first + seeds):
            rng = np.random.default_rng(seed)
            line = build_line(rng, 16, clock_step=False)
            made = awkward(rng, line, case)
            score.add(made.truths, reported(trace(as_input(line, made))), 16)
        onset, found = score.values("onset_h"), percent(score.share("found"))
        right, held = percent(score.share("section_right")), percent(score.share("covered"))
        print(
            f"| {case} | {found} | {score.false} | {middle(onset)} | {within(onset)} | {right} | {held} |",
            flush=True,
        )


def not_told(first: int, seeds: int, days: float, restless: bool, sparse: bool) -> None:
    """A third of the shifts passes without a look: the file says so, says nothing, or nobody minds."""
    low, high = (0.002, 0.006) if sparse else (0.03, 0.15)
    scores = {name: Score([]) for name in ("told", "not told", "all taken as looked at")}
    shares: list[tuple[float, float | None]] = []
    for seed in range(first, first + seeds):
        rng = np.random.default_rng(seed)
        line = restless_line(rng, days) if restless else build_line(rng, days)
        pass_shifts(np.random.default_rng(seed + 10_000), line)
        made = simulate(rng, line, per_m2=float(rng.uniform(low, high)), restless=restless)
        looked = (told(line), untold(line), np.ones(line.inspected.size))
        for (name, score), part in zip(scores.items(), looked, strict=True):
            result = trace(as_input(line, made, part))
            wrong = score.add(made.truths, reported(result), days)
            print(
                f"<!-- seed {seed}, {name}: {len(result.episodes)} episodes, {len(wrong)} false -->",
                flush=True,
            )
            if name == "not told":
                shares.append((float(line.inspected.mean()), result.exposure.share))
    print("\n| | " + " | ".join(scores) + " |")
    print("| --- |" + " ---: |" * len(scores))
    for label, value in ROWS[:10]:
        print(f"| {label} | {' | '.join(value(s) for s in scores.values())} |")
    print("\nlooked at in truth, and as estimated: " + ", ".join(
        f"{percent(true)} {percent(said)}" for true, said in shares
    ))  # fmt: skip


def within(values: list[float], limit: float = 1.5) -> str:
    return percent(float(np.mean([v <= limit for v in values]))) if values else "-"


def percent(share: float | None) -> str:
    return "-" if share is None else f"{share:.0%}"


def middle(values: list[float]) -> str:
    return f"{statistics.median(values):.1f}" if values else "-"


ROWS = (
    ("episodes found", lambda s: percent(s.share("found"))),
    ("false episodes in 30 days", lambda s: f"{s.false / s.days * 30:.2f}"),
    ("onset error, median h", lambda s: middle(s.values("onset_h"))),
    ("onset within 1.5 h", lambda s: within(s.values("onset_h"))),
    ("the same, slow rises seen from their first 2 % on", lambda s: within(s.values("passed_h"))),
    ("onset in the section's own time, error, median h", lambda s: middle(s.values("made_h"))),
    ("the same within 1.5 h", lambda s: within(s.values("made_h"))),
    ("section right", lambda s: percent(s.share("section_right"))),
    ("90 % window holds onset and end", lambda s: percent(s.share("covered"))),
    ("window longer than the upset, median h", lambda s: middle(s.values("extra_h"))),
    ("true event first", lambda s: percent(s.share("first"))),
    ("true event among three", lambda s: percent(s.share("first_three"))),
    ("roll right", lambda s: percent(s.share("roll_right"))),
    ("streets found", lambda s: percent(s.share("found", shape="street"))),
)

SECTIONS = ("melter", "refiner", "bath", "lehr", "cold_end")
PARTS = {
    "found": lambda s: percent(s.share("found")),
    "seen onset, median h": lambda s: middle(s.values("onset_h")),
    "within 1.5 h": lambda s: within(s.values("onset_h")),
    "within 1.5 h of its first 2 %": lambda s: within(s.values("passed_h")),
    "made onset, median h": lambda s: middle(s.values("made_h")),
    "made within 1.5 h": lambda s: within(s.values("made_h")),
    "section right": lambda s: percent(s.share("section_right")),
    "window holds": lambda s: percent(s.share("covered")),
    "longer than the upset, median h": lambda s: middle(s.values("extra_h")),
    "event in three": lambda s: percent(s.share("first_three")),
}


def nothing(first: int, seeds: int, days: float, restless: bool) -> None:
    """Restless backgrounds without a single episode: how often is one raised, and at which p."""
    raised: list[float] = []
    lines = 0
    for seed in range(first, first + seeds):
        case = invented(seed, days, restless=restless, book=False, episodes=0)
        found = [e.p_value for e in trace(case.given).episodes]
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
    parser.add_argument("--awkward", action="store_true", help="overlaps, cut ends, steps: one case a line")
    parser.add_argument("--untold", action="store_true", help="shifts without a look, and nobody says so")
    parser.add_argument("--sparse", action="store_true", help="with --untold: few defects")
    parser.add_argument("--restless", action="store_true", help="the second kind of background")
    parser.add_argument("--book", action="store_true", help="readings, and entries that seldom help")
    options = parser.parse_args()
    if options.growth:
        growth()
    elif options.nothing:
        nothing(options.first, options.seeds, options.days, options.restless)
    elif options.untold:
        not_told(options.first, options.seeds, options.days, options.restless, options.sparse)
    elif options.awkward:
        cases(options.first, options.seeds)
    else:
        compare(options.first, options.seeds, options.days, options.restless, options.book)
