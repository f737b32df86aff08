"""Defects on the ribbon: where they lie across and along it, as points or as counts per field.

Few defects come back one by one. Many are counted per field inside the database, so that
a picture of ten million defects moves a few thousand numbers and no more.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.rates import Rate, rate
from models.records import Defect, PlantFigures, Sheet, Shift
from models.ribbon_clock import MetreClock, metre_clock
from models.ribbon_counts import GridCounts, Window, count_up_to, grid_counts
from models.ribbon_filter import LOOKED, NOT_LOOKED, UNKNOWN, MapFilter, narrowed, stretch
from models.ribbon_glass import Apart, Glass, GlassPatch, glass_of

__all__ = [
    "MAIN_KINDS",
    "MapCell",
    "MapPoint",
    "Profile",
    "RibbonMap",
    "choices",
    "defects_in_view",
    "ribbon_map",
    "ribbon_width",
]

#: kinds that have a place in each filter even before one was found
MAIN_KINDS = ("bubble", "stone", "scratch")
#: more defects than this are counted per field instead of drawn one by one
POINT_LIMIT = 2000
#: a sheet may be inspected this long after it was cut
LATE_INSPECTION = timedelta(hours=12)
MOST_UNPLACED = 100_000
#: fields along the picture, and the fewer ones that are taken while most would hold a single defect
FIELDS_ALONG = 96
FEWER_FIELDS_ALONG = 48
FEW_DEFECTS = 8000
STRIPS = 22


@dataclass(frozen=True, slots=True)
class MapPoint:
    """One defect on the ribbon."""

    defect_id: int
    sheet_id: int
    label: str
    number: int
    kind: str
    ribbon_m: float
    ribbon_x_mm: float
    length_mm: float | None
    width_mm: float | None
    found_at: datetime
    source: str


@dataclass(frozen=True, slots=True)
class MapCell:
    """Count of one kind in one field of the ribbon.

    looked_fraction : part of the field's glass that was looked at, 0 to 1, None where nobody knows
    """

    kind: str
    m_lo: float
    m_hi: float
    x_lo_mm: float
    x_hi_mm: float
    count: int
    looked_fraction: float | None


@dataclass(frozen=True, slots=True)
class Profile:
    """Defects of some kinds in one strip along the ribbon, over the glass looked at in that strip.

    The defects are those on sheets that were looked at, at least in part.
    """

    kinds: tuple[str, ...]
    x_lo_mm: float
    x_hi_mm: float
    rate: Rate


@dataclass(frozen=True, slots=True)
class RibbonMap:
    """What lies on a stretch of ribbon.

    points : every defect, where there are at most POINT_LIMIT
    cells  : counts per field and kind, where there are more
    counts : defects in view by kind, in the order of `kinds`
    others : kinds that the filter leaves out, with their counts
    share  : part of the ribbon that was read for the counts; below 1 they are scaled up from it
    unplaced : defects of the period whose photo had no scale, so that they have no place
    glass_m2 : glass in view
    looked_m2, looked_sheets, looked_defects : glass and sheets in view that were looked at, and the defects
        of `kinds` on them: what the rates are made of
    apart    : sheets in view that nobody looked at, or of which nobody knows; the defects of `kinds` on them
    patches  : where a count of none would not mean that there is none
    net_lines_mm : the two trim lines, where the plant's figures are known
    """

    wanted: MapFilter
    kinds: tuple[str, ...]
    counts: tuple[int, ...]
    others: tuple[tuple[str, int], ...]
    m_lo: float
    m_hi: float
    begin: datetime
    finish: datetime
    x_lo_mm: float
    x_hi_mm: float
    net_lines_mm: tuple[float, ...]
    clock: MetreClock
    dense: bool
    share: float
    points: tuple[MapPoint, ...]
    cells: tuple[MapCell, ...]
    profile: tuple[Profile, ...]
    glass_m2: float
    looked_sheets: int
    looked_m2: float
    looked_defects: int
    apart: Apart
    patches: tuple[GlassPatch, ...]
    unplaced: int

    @property
    def along(self) -> str:
        """What runs along the picture: "metres" or "time"."""
        return self.wanted.along

    @property
    def looked_fraction(self) -> float | None:
        """Part of the glass in view that was looked at, 0 to 1; None where nobody knows of any."""
        if self.looked_m2 == 0.0 and self.apart.unknown_sheets:
            return None
        return self.looked_m2 / self.glass_m2 if self.glass_m2 else 0.0

    @property
    def total(self) -> int:
        """Defects in view."""
        return sum(self.counts)


@dataclass(frozen=True, slots=True)
class Choices:
    """What a line's filters can offer."""

    shifts: tuple[str, ...]
    crews: tuple[str, ...]


def choices(session: Session, line_id: int) -> Choices:
    """Shift names and crews that occur on a line, for filters."""
    names = session.scalars(
        select(Shift.name).where(Shift.line_id == line_id).distinct().order_by(Shift.name)
    )
    crews = session.scalars(
        select(Shift.crew).where(Shift.line_id == line_id).distinct().order_by(Shift.crew)
    )
    return Choices(tuple(names), tuple(crews))


def ribbon_map(session: Session, wanted: MapFilter) -> RibbonMap | None:
    """What lies on the stretch asked for; the newest week of glass where no stretch is asked for.

    None for a line that has no sheets yet.
    """
    ends = stretch(session, wanted)
    clock = None if ends is None else metre_clock(session, wanted.line_id, *ends)
    if ends is None or clock is None:
        return None
    m_lo, m_hi = ends
    x_lo, x_hi, net_lines = _width(session, wanted)
    total = count_up_to(session, wanted, m_lo, m_hi, FEW_DEFECTS)
    dense = total > POINT_LIMIT
    columns = FEWER_FIELDS_ALONG if total < FEW_DEFECTS else FIELDS_ALONG
    window = Window(m_lo, m_hi, x_lo, x_hi, columns, STRIPS)
    glass = glass_of(session, wanted, window)
    grid = grid_counts(session, wanted, window, only=glass.only, reach_mm=glass.longest_mm)
    seen = grid.by_kind()
    kinds = wanted.kinds or (*MAIN_KINDS, *sorted(set(seen) - set(MAIN_KINDS)))
    apart = _apart(glass, grid, kinds)
    counts = tuple(seen.get(kind, 0) for kind in kinds)
    glass_m2, looked_m2 = glass.area_m2(x_lo, x_hi)
    return RibbonMap(
        wanted=wanted,
        kinds=kinds,
        counts=counts,
        others=tuple(sorted((kind, count) for kind, count in seen.items() if kind not in kinds)),
        m_lo=m_lo,
        m_hi=m_hi,
        begin=clock.time_at(m_lo),
        finish=clock.time_at(m_hi),
        x_lo_mm=x_lo,
        x_hi_mm=x_hi,
        net_lines_mm=net_lines,
        clock=clock,
        dense=dense,
        share=grid.share,
        points=() if dense else tuple(defects_in_view(session, wanted, m_lo, m_hi, limit=POINT_LIMIT)),
        cells=_cells(grid, window, kinds, glass) if dense else (),
        profile=_profile(grid, window, tuple((kind,) for kind in kinds) if dense else (kinds,), glass),
        glass_m2=glass_m2,
        looked_sheets=glass.sheets[LOOKED],
        looked_m2=looked_m2,
        looked_defects=max(0, sum(counts) - apart.unknown_defects - apart.not_looked_defects),
        apart=apart,
        patches=glass.patches(),
        unplaced=_unplaced(session, wanted, clock.time_at(m_lo), clock.time_at(m_hi)),
    )


def defects_in_view(
    session: Session,
    wanted: MapFilter,
    m_lo: float,
    m_hi: float,
    *,
    before_id: int | None = None,
    limit: int = 100,
) -> list[MapPoint]:
    """The defects of a stretch of ribbon, the glass furthest back (the newest) first.

    before_id : go on after this defect, for the next page
    """
    query = narrowed(
        select(
            Defect.id,
            Defect.sheet_id,
            Sheet.label,
            Defect.number,
            Defect.kind,
            Defect.ribbon_m,
            Defect.ribbon_x_mm,
            Defect.length_mm,
            Defect.width_mm,
            Defect.found_at,
            Defect.source,
        ).join(Sheet, Sheet.id == Defect.sheet_id),
        wanted,
        m_lo,
        m_hi,
        joined=True,
    )
    if before_id is not None:
        last_m = session.scalar(select(Defect.ribbon_m).where(Defect.id == before_id))
        if last_m is not None:
            query = query.where(
                (Defect.ribbon_m < last_m) | ((Defect.ribbon_m == last_m) & (Defect.id < before_id))
            )
    rows = session.execute(query.order_by(Defect.ribbon_m.desc(), Defect.id.desc()).limit(limit))
    return [MapPoint(*row) for row in rows]


def ribbon_width(session: Session, line_id: int) -> tuple[float, tuple[float, ...]]:
    """Gross width of a line's ribbon in mm and its two trim lines.

    From the plant's newest figures; where there are none, the rightmost sheet's right side, no trim lines.
    """
    figures = session.execute(
        select(PlantFigures.gross_width_mm, PlantFigures.net_width_mm)
        .where(PlantFigures.line_id == line_id)
        .order_by(PlantFigures.valid_from.desc())
        .limit(1)
    ).first()
    if figures is not None:
        trim = (figures.gross_width_mm - figures.net_width_mm) / 2.0
        return figures.gross_width_mm, (trim, figures.gross_width_mm - trim)
    widest = session.scalar(
        select(func.max(Sheet.x_left_mm + Sheet.width_mm)).where(Sheet.line_id == line_id)
    )
    return float(widest or 1000.0), ()


def _width(session: Session, wanted: MapFilter) -> tuple[float, float, tuple[float, ...]]:
    """Extent of the picture across the ribbon and the trim lines."""
    gross, net = ribbon_width(session, wanted.line_id)
    low = wanted.x_lo_mm if wanted.x_lo_mm is not None else 0.0
    high = wanted.x_hi_mm if wanted.x_hi_mm is not None else gross
    return (low, high, net) if high > low else (low, low + 1.0, net)


def _apart(glass: Glass, grid: GridCounts, kinds: tuple[str, ...]) -> Apart:
    """What of the window is in no rate; its defects scaled up like all counts."""

    def defects(state: str) -> int:
        return round(sum(grid.apart.get((state, kind), 0) for kind in kinds) / grid.share)

    return Apart(glass.sheets[UNKNOWN], defects(UNKNOWN), glass.sheets[NOT_LOOKED], defects(NOT_LOOKED))


def _cells(grid: GridCounts, window: Window, kinds: tuple[str, ...], glass: Glass) -> tuple[MapCell, ...]:
    # a defect beside all sheets is as good as one on glass that nobody knows of
    looked = [
        [share if isfinite(share) else None for share in column]
        for column in glass.looked_fractions().tolist()
    ]
    return tuple(
        MapCell(
            kind,
            window.m_lo + i * window.m_step,
            window.m_lo + (i + 1) * window.m_step,
            window.x_lo_mm + j * window.x_step,
            window.x_lo_mm + (j + 1) * window.x_step,
            count,
            looked[i][j],
        )
        for (kind, i, j), count in sorted(grid.counts.items())
        if kind in kinds
    )


def _profile(
    grid: GridCounts, window: Window, groups: tuple[tuple[str, ...], ...], glass: Glass
) -> tuple[Profile, ...]:
    """Rate of each group of kinds in each row across, with the limits of what was really read."""
    strips = [
        (window.x_lo_mm + row * window.x_step, window.x_lo_mm + (row + 1) * window.x_step)
        for row in range(window.rows)
    ]
    areas = [glass.area_m2(low, high)[1] * grid.share for low, high in strips]
    return tuple(
        Profile(group, low, high, rate(sum(grid.strips.get((kind, row), 0) for kind in group), area))
        for group in groups
        for row, ((low, high), area) in enumerate(zip(strips, areas, strict=True))
    )


def _unplaced(session: Session, wanted: MapFilter, begin: datetime, finish: datetime) -> int:
    """Defects without a place, found on sheets of about this period."""
    # the limit keeps the database from starting at the times, which nearly every placed defect would pass
    query = select(Defect.found_at).where(
        Defect.line_id == wanted.line_id, Defect.current.is_(True), Defect.ribbon_m.is_(None)
    )
    if wanted.kinds:
        query = query.where(Defect.kind.in_(wanted.kinds))
    placeless = query.limit(MOST_UNPLACED).subquery()
    counted = (
        select(func.count())
        .select_from(placeless)
        .where(placeless.c.found_at >= begin, placeless.c.found_at <= finish + LATE_INSPECTION)
    )
    return session.scalar(counted) or 0
