"""What a trace says, ready to be shown or written as JSON."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from models.trace.clock_steps import ClockStep
from models.trace.crews import Shifts
from models.trace.exposure import Exposure
from models.trace.grid import Stretch
from models.trace.origin import Cause
from models.trace.repeats import Pitch
from models.trace.rolls import RollMatch


@dataclass(frozen=True)
class Curve:
    """Rate over time in an episode's band. Arrays of shape (T,).

    start_s : starts of even cells of `width_s`; count : defects; area_m2 : inspected glass in the band
    background : expected counts without the episode; fitted : with it
    """

    start_s: np.ndarray
    width_s: float
    count: np.ndarray
    area_m2: np.ndarray
    background: np.ndarray
    fitted: np.ndarray


@dataclass(frozen=True)
class Episode:
    """One episode. Times in Unix seconds; `section_weights` are probabilities.

    origin_start_s, origin_end_s : hold onset and end, in the section's own time, with probability 0.9
    onset_s, stop_s : best single guesses of onset and end, in the section's own time
    causes : candidates with weights, heaviest first; none_weight : "none of these"
    members : rows of the defects given that lie in the episode's box
    """

    kind: str
    x_lo_mm: float
    x_hi_mm: float
    whole_width: bool
    seen_start_s: float
    seen_end_s: float
    from_m: float
    to_m: float
    count: int
    expected: float
    p_value: float
    section: str
    section_weights: dict[str, float]
    origin_start_s: float
    origin_end_s: float
    onset_s: float
    stop_s: float
    causes: tuple[tuple[Cause, float], ...]
    none_weight: float
    course: str
    pitch: Pitch | None
    rolls: tuple[RollMatch, ...]
    curve: Curve
    members: np.ndarray = field(repr=False)

    @property
    def roll(self) -> str | None:
        return self.rolls[0].roll.name if self.rolls else None

    @property
    def next_roll(self) -> str | None:
        """The next best roll where the two are too close to tell."""
        return self.rolls[1].roll.name if len(self.rolls) > 1 and self.rolls[1].weight > 0.1 else None

    def as_json(self, when: Callable[[float], str]) -> dict[str, Any]:
        """The episode as the trace result writes it; `when` makes a time of Unix seconds."""
        events = [{"event_id": c.key, "weight": round(w, 4)} for c, w in self.causes if c.event is not None]
        excursions = [
            {
                "tag": c.excursion.tag, "unit": c.excursion.unit, "start": when(c.start_s),
                "end": when(c.excursion.end_s), "size": round(c.excursion.size, 1), "weight": round(w, 4),
            }
            for c, w in self.causes if c.excursion is not None
        ]  # fmt: skip
        return {
            "kind": self.kind,
            "x_lo_mm": round(self.x_lo_mm, 1),
            "x_hi_mm": round(self.x_hi_mm, 1),
            "seen_start": when(self.seen_start_s),
            "seen_end": when(self.seen_end_s),
            "count": self.count,
            "expected": round(self.expected, 2),
            "p_value": float(f"{self.p_value:.3g}"),
            "origin_section": self.section,
            "origin_start": when(self.origin_start_s),
            "origin_end": when(self.origin_end_s),
            "origin_onset": when(self.onset_s),
            "origin_stop": when(self.stop_s),
            "ranked_events": events,
            "roll": self.roll,
            "pitch_mm": None if self.pitch is None else round(self.pitch.pitch_mm, 3),
            "whole_width": self.whole_width,
            "from_m": round(self.from_m, 2),
            "to_m": round(self.to_m, 2),
            "course": self.course,
            "section_weights": {k: round(v, 4) for k, v in self.section_weights.items()},
            "ranked_excursions": excursions,
            "none_of_these_weight": round(self.none_weight, 4),
            "pitch_se_mm": None if self.pitch is None else float(f"{self.pitch.se_mm:.3g}"),
            "pitch_p_value": None if self.pitch is None else float(f"{self.pitch.p_value:.3g}"),
            "next_roll": self.next_roll,
            "rolls": [
                {
                    "name": r.roll.name,
                    "weight": round(r.weight, 4),
                    "misfit_percent": round(r.misfit_percent, 3),
                }
                for r in self.rolls[:4]
            ],
        }


@dataclass(frozen=True)
class TraceResult:
    """All episodes, by time seen, and what was put right on the way.

    sharpness : per shift (start s, factor against the mean, standard error of its logarithm)
    exposure : which part of the sheets was looked at, and where that comes from
    """

    episodes: tuple[Episode, ...]
    clock_steps: tuple[ClockStep, ...]
    blind: tuple[Stretch, ...]
    shifts: Shifts | None
    sharpness: tuple[tuple[float, float, float], ...]
    inspected_m2: float
    defects_counted: int
    first_s: float
    last_s: float
    exposure: Exposure

    def longest_blind(self, most: int) -> tuple[Stretch, ...]:
        """The stretches that nobody seems to have looked at, in line order; of many the longest `most`."""
        longest = sorted(self.blind, key=lambda stretch: -stretch.sheets)[:most]
        return tuple(sorted(longest, key=lambda stretch: stretch.from_m))

    def as_json(self, when: Callable[[float], str]) -> dict[str, Any]:
        return {
            "episodes": [e.as_json(when) for e in self.episodes],
            "looked_at_source": self.exposure.source,
            "looked_at": {
                "start": when(self.first_s),
                "end": when(self.last_s),
                "inspected_m2": round(self.inspected_m2, 1),
                "defects": self.defects_counted,
                **self.exposure.as_json(),
            },
            "clock_steps": [
                {"start": when(s.start_s), "end": when(s.end_s), "step_s": round(s.step_s),
                 "from_m": s.from_m, "to_m": s.to_m}
                for s in self.clock_steps
            ],
            "uninspected": [
                {"start": when(b.start_s), "end": when(b.end_s), "sheets": b.sheets,
                 "expected": round(b.expected)}
                for b in self.blind
            ],
            "shifts": None if self.shifts is None else {
                "length_h": self.shifts.length_h, "first_h_utc": self.shifts.first_h,
                "told_apart": self.shifts.found,
            },
        }  # fmt: skip
