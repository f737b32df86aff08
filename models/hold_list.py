"""Who else has it: the sheets that carry glass of one stretch and band, and where they are now."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, and_, func, select
from sqlalchemy.orm import Session

from models.records import Customer, Defect, Pack, Sheet, Verdict
from models.sheet.looked_words import count_words
from models.verdict_titles import downgrade_titles

__all__ = ["HeldPack", "HeldSheet", "HoldList", "hold_list"]

#: a sheet longer than this is not cut anywhere (common practice, no source)
LONGEST_M = 50.0


@dataclass(frozen=True, slots=True)
class HeldSheet:
    """One sheet that carries the glass.

    downgrade_to : title of the grade, as kept with the verdict
    looked_fraction : part of it that was looked at, None where nobody knows
    here   : defects of the kind within the stretch and band on it
    others : all other defects on it
    """

    sheet_id: int
    label: str
    ribbon_start_m: float
    cut_at: datetime
    state: str
    outcome: str | None
    downgrade_to: str | None
    pack: str | None
    customer: str | None
    shipped_at: datetime | None
    destination: str | None
    looked_fraction: float | None
    here: int
    others: int

    @property
    def not_looked(self) -> bool:
        """Whether it is known that nobody looked at it."""
        return self.looked_fraction is not None and self.looked_fraction <= 0.0

    @property
    def here_words(self) -> str:
        """Defects of the kind in the band, over what was looked at."""
        return count_words(self.here, self.looked_fraction)

    @property
    def others_words(self) -> str:
        """All other defects, over what was looked at."""
        return count_words(self.others, self.looked_fraction)

    @property
    def place(self) -> str:
        """Where it is: "shipped", "yard" (packed, not shipped) or "loose" (not packed)."""
        if self.pack is None:
            return "loose"
        return "yard" if self.shipped_at is None else "shipped"


@dataclass(frozen=True, slots=True)
class HeldPack:
    """One pack that holds such sheets; `label` is None for the sheets that are in no pack.

    marked : sheets with a recorded defect of the kind in the band.  not_looked : sheets that nobody looked
    at.  unknown : of which nobody knows
    """

    label: str | None
    customer: str | None
    shipped_at: datetime | None
    destination: str | None
    sheets: int
    marked: int
    not_looked: int
    unknown: int


@dataclass(frozen=True, slots=True)
class HoldList:
    """All sheets of a stretch and band, in ribbon order."""

    kind: str
    from_m: float
    to_m: float
    x_lo_mm: float
    x_hi_mm: float
    sheets: tuple[HeldSheet, ...]

    @property
    def marked(self) -> int:
        """Sheets with a recorded defect of the kind in the band."""
        return sum(1 for sheet in self.sheets if sheet.here)

    @property
    def not_looked(self) -> int:
        """Sheets that nobody looked at: they may carry as many."""
        return sum(1 for sheet in self.sheets if sheet.not_looked)

    @property
    def unknown(self) -> int:
        """Sheets of which nobody knows whether they were looked at."""
        return sum(1 for sheet in self.sheets if sheet.looked_fraction is None)

    def in_place(self, place: str) -> int:
        """How many are in this place, as `HeldSheet.place` names it."""
        return sum(1 for sheet in self.sheets if sheet.place == place)

    def packs(self) -> tuple[HeldPack, ...]:
        """The packs, shipped ones first (the latest first), then those in the yard, loose sheets last."""
        groups: dict[str | None, list[HeldSheet]] = {}
        for sheet in self.sheets:
            groups.setdefault(sheet.pack, []).append(sheet)
        packs = [_pack(label, group) for label, group in groups.items()]
        return tuple(sorted(packs, key=_pack_order))


def hold_list(
    session: Session, line_id: int, kind: str, from_m: float, to_m: float, x_lo_mm: float, x_hi_mm: float
) -> HoldList:
    """The sheets of a line that overlap a stretch of ribbon and a band across it.

    Sheets that nobody inspected are among them: their glass is the same.
    """
    rows: Sequence[Any] = session.execute(_sheets(line_id, from_m, to_m, x_lo_mm, x_hi_mm)).all()
    here = _counts(session, line_id, from_m, to_m, (x_lo_mm, x_hi_mm), kind)
    every = _counts(session, line_id, from_m - LONGEST_M, to_m + LONGEST_M, None, None)
    titles = downgrade_titles(session, [row[0] for row in rows])
    sheets = []
    for row in rows:
        marked = here.get(row[0], 0)
        counts = marked, every.get(row[0], 0) - marked
        sheets.append(HeldSheet(*(*row[:6], titles.get(row[0]), *row[6:], *counts)))
    return HoldList(kind, from_m, to_m, x_lo_mm, x_hi_mm, tuple(sheets))


def _sheets(
    line_id: int, from_m: float, to_m: float, x_lo_mm: float, x_hi_mm: float
) -> Select[*tuple[Any, ...]]:
    return (
        select(
            Sheet.id,
            Sheet.label,
            Sheet.ribbon_start_m,
            Sheet.cut_at,
            Sheet.state,
            Verdict.outcome,
            Pack.label.label("pack"),
            Customer.name.label("customer"),
            Pack.shipped_at,
            Pack.destination,
            Sheet.looked_fraction,
        )
        .outerjoin(Pack, Pack.id == Sheet.pack_id)
        .outerjoin(Customer, Customer.id == Pack.customer_id)
        .outerjoin(Verdict, and_(Verdict.sheet_id == Sheet.id, Verdict.current.is_(True)))
        .where(
            Sheet.line_id == line_id,
            Sheet.ribbon_start_m >= from_m - LONGEST_M,
            Sheet.ribbon_start_m <= to_m,
            Sheet.ribbon_start_m + Sheet.length_mm / 1000.0 >= from_m,
            Sheet.x_left_mm <= x_hi_mm,
            Sheet.x_left_mm + Sheet.width_mm >= x_lo_mm,
        )
        .order_by(Sheet.ribbon_start_m, Sheet.x_left_mm)
    )


def _counts(
    session: Session,
    line_id: int,
    from_m: float,
    to_m: float,
    band: tuple[float, float] | None,
    kind: str | None,
) -> dict[int, int]:
    """Defects of a stretch by sheet; of one kind and band where they are given."""
    query = select(Defect.sheet_id, func.count().label("n")).where(
        Defect.line_id == line_id,
        Defect.current.is_(True),
        Defect.ribbon_m >= from_m,
        Defect.ribbon_m <= to_m,
    )
    if kind is not None:
        query = query.where(Defect.kind == kind)
    if band is not None:
        query = query.where(Defect.ribbon_x_mm >= band[0], Defect.ribbon_x_mm <= band[1])
    return {row.sheet_id: row.n for row in session.execute(query.group_by(Defect.sheet_id))}


def _pack(label: str | None, group: Iterable[HeldSheet]) -> HeldPack:
    sheets = list(group)
    first = sheets[0]
    return HeldPack(
        label,
        first.customer,
        first.shipped_at,
        first.destination,
        len(sheets),
        marked=sum(1 for sheet in sheets if sheet.here),
        not_looked=sum(1 for sheet in sheets if sheet.not_looked),
        unknown=sum(1 for sheet in sheets if sheet.looked_fraction is None),
    )


def _pack_order(pack: HeldPack) -> tuple[int, float, str]:
    if pack.label is None:
        return 2, 0.0, ""
    if pack.shipped_at is None:
        return 1, 0.0, pack.label
    return 0, -pack.shipped_at.timestamp(), pack.label
