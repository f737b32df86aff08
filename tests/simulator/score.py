"""How well a trace recovers what the simulator put in."""

from __future__ import annotations

from dataclasses import dataclass

from tests.simulator.defects import Truth
from tests.simulator.line import HOUR


@dataclass(frozen=True)
class Reported:
    """One reported episode in the terms of the comparison; times in Unix seconds."""

    kind: str
    x_lo_mm: float
    x_hi_mm: float
    seen_start: float
    seen_end: float
    section: str = "unknown"
    origin_start: float = 0.0
    origin_end: float = 0.0
    events: tuple[str, ...] = ()
    roll: str | None = None
    onset: float | None = None


def overlap(truth: Truth, said: Reported) -> float:
    """Share of the truth's hours and width that the report touches; 0 for another kind."""
    if truth.kind != said.kind:
        return 0.0
    t = min(truth.seen_end, said.seen_end) - max(truth.seen_start, said.seen_start)
    x = min(truth.x_hi_mm, said.x_hi_mm) - max(truth.x_lo_mm, said.x_lo_mm)
    if t <= 0 or x <= 0:
        return 0.0
    return t / (truth.seen_end - truth.seen_start) * x / (truth.x_hi_mm - truth.x_lo_mm)


def tight(truth: Truth, said: Reported) -> float:
    """Overlap of the two boxes over the box that holds both (0 to 1)."""
    if truth.kind != said.kind:
        return 0.0
    both = 1.0
    for lo_a, hi_a, lo_b, hi_b in (
        (truth.seen_start, truth.seen_end, said.seen_start, said.seen_end),
        (truth.x_lo_mm, truth.x_hi_mm, said.x_lo_mm, said.x_hi_mm),
    ):
        both *= max(0.0, min(hi_a, hi_b) - max(lo_a, lo_b)) / max(max(hi_a, hi_b) - min(lo_a, lo_b), 1e-9)
    return both


@dataclass
class Score:
    """Sums over many lines; one row an episode in `rows`."""

    rows: list[dict[str, object]]
    false: int = 0
    days: float = 0.0

    def add(self, truths: list[Truth], said: list[Reported], days: float, fewest: int = 12) -> list[int]:
        """Match reports to truths, best overlap first; truths of fewer than `fewest` defects do not count.

        Returns the indices of false reports.
        """
        every = ((i, t, j, s) for i, t in enumerate(truths) for j, s in enumerate(said))
        pairs = sorted(((tight(t, s), i, j) for i, t, j, s in every if overlap(t, s) > 0.15), reverse=True)
        by_truth: dict[int, int] = {}
        used: set[int] = set()
        for _, i, j in pairs:
            if i not in by_truth and j not in used:
                by_truth[i] = j
                used.add(j)
        for i, truth in enumerate(truths):
            if truth.count >= fewest:
                self.rows.append(_row(truth, said[by_truth[i]] if i in by_truth else None))
        touched = {j for _, _, j in pairs}
        wrong = [j for j in range(len(said)) if j not in touched]
        self.false += len(wrong) + len(touched - used)
        self.days += days
        return wrong + sorted(touched - used)

    def share(self, what: str, **where: object) -> float | None:
        """Share of the rows with a yes under `what`, among found rows that have an answer."""
        rows = [r for r in self.rows if all(r[k] == v for k, v in where.items()) and r[what] is not None]
        return sum(bool(r[what]) for r in rows) / len(rows) if rows else None

    def values(self, what: str, **where: object) -> list[float]:
        return [
            float(r[what])
            for r in self.rows
            if r[what] is not None and all(r[k] == v for k, v in where.items())
        ]  # type: ignore[arg-type]


def _row(truth: Truth, said: Reported | None) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(
        (
            "onset_h",
            "passed_h",
            "end_h",
            "made_h",
            "section_right",
            "covered",
            "extra_h",
            "first",
            "first_three",
            "roll_right",
        )
    )
    row |= {"shape": truth.shape, "section": truth.section, "found": said is not None, "count": truth.count}
    if said is None:
        return row
    row["onset_h"] = abs(said.seen_start - truth.seen_start) / HOUR
    passed = truth.seen_start if truth.passed_start is None else truth.passed_start
    row["passed_h"] = abs(said.seen_start - passed) / HOUR
    row["end_h"] = abs(said.seen_end - truth.seen_end) / HOUR
    if said.onset is not None:
        row["made_h"] = abs(said.onset - truth.origin_start) / HOUR
    row["section_right"] = said.section == truth.section
    slack = 60.0
    row["covered"] = (
        said.origin_start - slack <= truth.origin_start and truth.origin_end <= said.origin_end + slack
    )
    row["extra_h"] = ((said.origin_end - said.origin_start) - (truth.origin_end - truth.origin_start)) / HOUR
    if truth.event_id is not None:
        row["first"] = said.events[:1] == (truth.event_id,)
        row["first_three"] = truth.event_id in said.events[:3]
    if truth.roll is not None:
        row["roll_right"] = said.roll == truth.roll
    return row
