"""The glass of a stretch of ribbon by what is known of it: looked at, not looked at, nobody knows.

Rates take their area from here. A sheet that was looked at in part counts with that part, as if it were
spread evenly over the sheet; where on the sheet it lies is a matter of the sheet's own page.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.inspections.looking import looked_share
from models.records import Sheet
from models.ribbon_counts import LONGEST_SHEET_MM, Window
from models.ribbon_filter import (
    LOOKED,
    NOT_LOOKED,
    UNKNOWN,
    MapFilter,
    field_index,
    how_looked,
    in_strip,
    inspected_by,
)
from models.sheet.looked_words import apart_words

__all__ = ["Apart", "Glass", "GlassPatch", "PatchState", "glass_of"]

#: up to so many sheets each is laid into the fields that it reaches; more are put into that of their middle
FEW_SHEETS = 3000
#: a field of which less than this part was looked at is told apart: what it shows is not what it holds
PART = 0.5

PatchState = Literal["not_looked", "unknown", "part", "no_sheet"]
Areas = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Apart:
    """Sheets that are in no rate, and the defects that the books hold on them."""

    unknown_sheets: int = 0
    unknown_defects: int = 0
    not_looked_sheets: int = 0
    not_looked_defects: int = 0

    def __add__(self, other: Apart) -> Apart:
        return Apart(
            self.unknown_sheets + other.unknown_sheets,
            self.unknown_defects + other.unknown_defects,
            self.not_looked_sheets + other.not_looked_sheets,
            self.not_looked_defects + other.not_looked_defects,
        )

    @property
    def words(self) -> tuple[str, ...]:
        """A sentence for each of the two that there is any of."""
        return apart_words(
            self.unknown_sheets, self.unknown_defects, self.not_looked_sheets, self.not_looked_defects
        )


@dataclass(frozen=True, slots=True)
class GlassPatch:
    """A part of the window where a count of none would not mean that there is none.

    state : "not_looked", "unknown" (nobody knows), "part" (less than half was looked at), "no_sheet"
    """

    state: PatchState
    m_lo: float
    m_hi: float
    x_lo_mm: float
    x_hi_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Glass:
    """The sheets of a window, those of one place across and one state together: a lane.

    sheets     : how many, by LOOKED, NOT_LOOKED and UNKNOWN
    longest_mm : length of the longest of them
    x_mm       : left and right side of each lane, shape (L, 2)
    unknown    : of which lanes nobody knows whether they were looked at, shape (L,)
    length_m   : glass of each lane in each column of the window, shape (L, columns)
    looked_m   : what of it was looked at, shape (L, columns)
    """

    window: Window
    sheets: Mapping[str, int]
    longest_mm: float
    x_mm: Areas
    unknown: NDArray[np.bool_]
    length_m: Areas
    looked_m: Areas

    @property
    def only(self) -> str | None:
        """What is known of all sheets alike; None where it differs between them."""
        there = [state for state, count in self.sheets.items() if count]
        return there[0] if len(there) == 1 else None

    def area_m2(self, x_lo_mm: float, x_hi_mm: float) -> tuple[float, float]:
        """Glass between two places across, and what of it was looked at: the area of a rate."""
        widths = _widths_m(self.x_mm, np.array([x_lo_mm]), np.array([x_hi_mm]))[:, 0]
        return float(widths @ self.length_m.sum(axis=1)), float(widths @ self.looked_m.sum(axis=1))

    def looked_fractions(self) -> Areas:
        """Part of the glass in each field that was looked at, shape (columns, rows).

        0 where it was not, NaN where nobody knows, inf where there is no sheet.
        """
        window = self.window
        low = window.x_lo_mm + window.x_step * np.arange(window.rows, dtype=np.float64)
        widths = _widths_m(self.x_mm, low, low + window.x_step)
        whole, looked = self.length_m.T @ widths, self.looked_m.T @ widths
        unknown = self.length_m[self.unknown].T @ widths[self.unknown]
        share = looked / np.where(whole > 0.0, whole, 1.0)
        share[(looked == 0.0) & (unknown > 0.0)] = np.nan
        share[whole == 0.0] = np.inf
        return share

    def patches(self) -> tuple[GlassPatch, ...]:
        """Where the picture shows less than the glass may hold, as few rectangles as the fields allow."""
        window, share = self.window, self.looked_fractions()
        open_runs: dict[tuple[int, int, PatchState], int] = {}
        found: list[tuple[int, int, PatchState, int, int]] = []
        for row in range(window.rows + 1):
            runs = set(_runs(share[:, row])) if row < window.rows else set()
            for run in [run for run in open_runs if run not in runs]:
                found.append((*run, open_runs.pop(run), row))
            for run in runs:
                open_runs.setdefault(run, row)
        return tuple(
            GlassPatch(
                state,
                window.m_lo + first * window.m_step,
                window.m_lo + last * window.m_step,
                window.x_lo_mm + low * window.x_step,
                window.x_lo_mm + high * window.x_step,
            )
            for first, last, state, low, high in sorted(found)
        )


def _widths_m(x_mm: Areas, low_mm: Areas, high_mm: Areas) -> Areas:
    """How much of each strip across each lane takes, in m, shape (L, strips)."""
    overlap = np.minimum(x_mm[:, 1:], high_mm[None, :]) - np.maximum(x_mm[:, :1], low_mm[None, :])
    return np.maximum(overlap, 0.0) / 1000.0


def _runs(share: Areas) -> Iterable[tuple[int, int, PatchState]]:
    """(first column, column after the last, state) of each run of fields of one state, shape (columns,)."""
    states = [_state(float(value)) for value in share]
    first = 0
    for column in range(1, len(states) + 1):
        if column == len(states) or states[column] != states[first]:
            state = states[first]
            if state is not None:
                yield first, column, state
            first = column


def _state(share: float) -> PatchState | None:
    if np.isnan(share):
        return "unknown"
    if np.isinf(share):
        return "no_sheet"
    if share == 0.0:
        return "not_looked"
    return "part" if share < PART else None


def glass_of(session: Session, wanted: MapFilter, window: Window) -> Glass:
    """The sheets that lie in a window and pass the filter's shift and crew."""
    conditions = [
        Sheet.line_id == wanted.line_id,
        # the sum below is what is meant; this is what the index knows
        Sheet.ribbon_start_m >= window.m_lo - LONGEST_SHEET_MM / 1000.0,
        Sheet.ribbon_start_m < window.m_hi,
        Sheet.ribbon_start_m + Sheet.length_mm / 1000.0 > window.m_lo,
        *in_strip(wanted),
    ]
    crew = inspected_by(wanted)
    if crew is not None:
        conditions.append(crew)
    state = how_looked()
    few = session.execute(
        select(
            Sheet.x_left_mm, Sheet.width_mm, state.label("state"), Sheet.ribbon_start_m, Sheet.length_mm,
            looked_share().label("share"),
        )
        .where(*conditions)
        .limit(FEW_SHEETS + 1)
    ).all()  # fmt: skip
    if len(few) <= FEW_SHEETS:
        return _laid_out(window, few)
    middle = Sheet.ribbon_start_m + Sheet.length_mm / 2000.0
    column = field_index((middle - window.m_lo) / window.m_step)
    # whole millimetres, so that sheets measured one by one still share their places
    left, width = func.round(Sheet.x_left_mm), func.round(Sheet.width_mm)
    rows = session.execute(
        select(
            left.label("x_left_mm"),
            width.label("width_mm"),
            state.label("state"),
            column.label("column"),
            func.sum(Sheet.length_mm).label("length"),
            func.sum(Sheet.length_mm * looked_share()).label("looked"),
            func.max(Sheet.length_mm).label("longest"),
            func.count().label("sheets"),
        )
        .where(*conditions, middle >= window.m_lo, middle <= window.m_hi)
        .group_by(left, width, state, column)
    ).all()
    return _grouped(window, rows)


def _laid_out(window: Window, rows: Sequence[Any]) -> Glass:
    """Each sheet cut at the window's ends and the fields' borders."""
    glass, lane_of = _lanes(window, rows, [1] * len(rows), [row.length_mm for row in rows])
    edges = window.m_lo + window.m_step * np.arange(window.columns + 1)
    start = np.array([row.ribbon_start_m for row in rows])
    end = start + np.array([row.length_mm for row in rows]) / 1000.0
    pieces = np.diff(np.clip(edges[None, :], start[:, None], end[:, None]), axis=1)
    np.add.at(glass.length_m, lane_of, pieces)
    np.add.at(glass.looked_m, lane_of, pieces * np.array([row.share for row in rows])[:, None])
    return glass


def _grouped(window: Window, rows: Sequence[Any]) -> Glass:
    """Sums as the database made them, each of one column."""
    glass, lane_of = _lanes(window, rows, [row.sheets for row in rows], [row.longest for row in rows])
    place = lane_of, np.array([min(row.column, window.columns - 1) for row in rows], dtype=np.int64)
    np.add.at(glass.length_m, place, np.array([row.length for row in rows]) / 1000.0)
    np.add.at(glass.looked_m, place, np.array([row.looked for row in rows]) / 1000.0)
    return glass


def _lanes(
    window: Window, rows: Sequence[Any], counts: Sequence[int], longest_mm: Sequence[float]
) -> tuple[Glass, NDArray[np.int64]]:
    """Lanes without glass in them yet, and the lane of each row."""
    lanes: dict[tuple[float, float, str], int] = {}
    lane_of = [lanes.setdefault((row.x_left_mm, row.width_mm, row.state), len(lanes)) for row in rows]
    sheets = dict.fromkeys((LOOKED, NOT_LOOKED, UNKNOWN), 0)
    for row, count in zip(rows, counts, strict=True):
        sheets[row.state] += count
    return Glass(
        window,
        sheets,
        max(longest_mm, default=0.0),
        np.array([(left, left + width) for left, width, _ in lanes], dtype=float).reshape(-1, 2),
        np.array([state == UNKNOWN for _, _, state in lanes], dtype=bool),
        np.zeros((len(lanes), window.columns)),
        np.zeros((len(lanes), window.columns)),
    ), np.array(lane_of, dtype=np.int64)
