"""How quick judging is, by hand: `python tests/bench/grades.py`.

Three measurements, each the median of several runs on one core:
- 10,000 sheets with 20 defects each, read from JSON and judged, as a ratio to plainly reading the same JSON;
- the fullest circle among 2,000 defects on one sheet;
- the largest passing piece of a sheet with 500 defects.
"""

import json
import platform
import random
import statistics
import time
from collections.abc import Callable

import numpy as np

from models.grades import DefectToJudge, SheetToJudge, judge, load_sets, sheet_from_dict
from models.grades.circles import fullest_circle
from models.grades.cutout import largest_piece

SHEETS, DEFECTS = 10_000, 20
WIDTH, LENGTH = 3210, 6000


def median_s(act: Callable[[], object], times: int = 3) -> float:
    """Median processor time of `times` runs, in seconds."""
    took = []
    for _ in range(times):
        start = time.process_time()
        act()
        took.append(time.process_time() - start)
    return statistics.median(took)


def sheets_as_json(rng: random.Random) -> list[str]:
    return [
        json.dumps(
            {
                "width_mm": WIDTH, "length_mm": LENGTH, "thickness_mm": 5, "use": "stock",
                "defects": [
                    {"kind": rng.choice(["bubble", "bubble", "stone", "scratch"]),
                     "x_mm": round(rng.uniform(0, WIDTH), 1), "y_mm": round(rng.uniform(0, LENGTH), 1),
                     "length_mm": round(rng.expovariate(1) + 0.1, 2),
                     "width_mm": 0.1, "halo_mm": None, "detection_distance_mm": 500}
                    for _ in range(DEFECTS)
                ],
            }
        )
        for _ in range(SHEETS)
    ]  # fmt: skip


def crowded(rng: random.Random, count: int) -> SheetToJudge:
    return SheetToJudge(
        WIDTH, LENGTH, 5,
        defects=tuple(
            DefectToJudge(
                rng.choice(["bubble", "stone"]), round(rng.uniform(0, WIDTH), 1),
                round(rng.uniform(0, LENGTH), 1), round(rng.expovariate(1) + 0.1, 2),
            )
            for _ in range(count)
        ),
    )  # fmt: skip


def main() -> None:
    book, rng = load_sets(), random.Random(2026)
    print(f"{platform.machine()}, Python {platform.python_version()}, one core")
    texts = sheets_as_json(rng)
    reading = median_s(lambda: [json.loads(text) for text in texts])
    print(f"reading {SHEETS} sheets with {DEFECTS} defects as JSON: {reading:.2f} s")
    for name in (
        "jis-r-3202-2011",
        "astm-c1036-q3",
        "gb-11614-1999-mirror",
        "eschenfurt-mirror",
        "igu-guideline-2019",
    ):
        grade = book.grade(name)
        took = median_s(
            lambda grade=grade: [
                judge(sheet_from_dict(json.loads(text), where="sheet"), grade) for text in texts
            ],
            1,
        )
        print(f"  read and judged by {name:<22} {took:6.2f} s, {took / reading:5.1f} times the reading")
    spread = np.random.default_rng(1)
    for across in (100.0, 200.0, 500.0):
        points = spread.uniform((0, 0), (WIDTH, LENGTH), (2000, 2))
        took = median_s(lambda p=points, d=across: fullest_circle(p, d, 3), 9)
        print(f"fullest circle of {across:g} mm among 2,000 defects: {took * 1000:.0f} ms")
    bunch = spread.uniform((0, 0), (400, 400), (2000, 2))
    print(f"  all 2,000 within 400 mm: {median_s(lambda: fullest_circle(bunch, 100.0, 3), 9) * 1000:.0f} ms")
    for count in (100, 500):
        sheets = [crowded(rng, count) for _ in range(9)]
        for name in (
            "jis-r-3202-2011",
            "astm-c1036-q3",
            "eschenfurt-mirror",
            "igu-guideline-2019",
            "en-1096-1",
        ):
            grade = book.grade(name)
            took_each = [median_s(lambda s=s, g=grade: largest_piece(s, g), 1) for s in sheets]
            usual, most = 1000 * statistics.median(took_each), 1000 * max(took_each)
            print(f"largest piece, {count} defects, {name:<20} median {usual:4.0f} ms, most {most:4.0f} ms")


if __name__ == "__main__":
    main()
