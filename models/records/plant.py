"""The plant: lines, their fixed figures, and what they log while they run."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, LongText, Moment, Name, Short, link


class Line(Base):
    """A float line. Everything on a ribbon belongs to one."""

    __tablename__ = "line"

    id: Mapped[Id]
    name: Mapped[Short] = mapped_column(unique=True, comment="short name, such as L1")
    plant: Mapped[Name] = mapped_column(comment="name of the works")
    time_zone: Mapped[Name] = mapped_column(comment="IANA zone in which times are shown")
    grade_id: Mapped[Name | None] = mapped_column(
        comment="grade made now, for sheets whose order is not known"
    )
    created_at: Mapped[Moment]


class PlantFigures(Base):
    """Melter, refiner and ribbon figures, valid from a moment on until the next row."""

    __tablename__ = "plant_figures"
    __table_args__ = (UniqueConstraint("line_id", "valid_from"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    valid_from: Mapped[Moment] = mapped_column(comment="first moment for which these figures hold")
    melter_mass_t: Mapped[float] = mapped_column(comment="glass in the melter, tonnes")
    melter_plug_fraction: Mapped[float] = mapped_column(
        comment="share of the melter's mean residence in plug flow"
    )
    melter_tanks_in_series: Mapped[float] = mapped_column(comment="stirred tanks that follow the plug flow")
    refiner_mass_t: Mapped[float] = mapped_column(comment="glass in the refiner, tonnes")
    refiner_plug_fraction: Mapped[float]
    refiner_tanks_in_series: Mapped[float]
    density_t_per_m3: Mapped[float] = mapped_column(comment="density of the cold glass")
    gross_width_mm: Mapped[float] = mapped_column(comment="untrimmed ribbon")
    net_width_mm: Mapped[float] = mapped_column(comment="ribbon between the trims")
    melter_mass_rel_tolerance: Mapped[float | None] = mapped_column(comment="relative, 0.04 is 4 %")
    melter_plug_tolerance: Mapped[float | None] = mapped_column(comment="absolute, on the plug fraction")
    melter_tanks_low: Mapped[float | None]
    melter_tanks_high: Mapped[float | None]
    refiner_mass_rel_tolerance: Mapped[float | None]
    recorded_at: Mapped[Moment] = mapped_column(comment="when the row was written")


class LayoutPoint(Base):
    """A named place along the line, measured upstream from the inspection point."""

    __tablename__ = "layout_point"
    __table_args__ = (UniqueConstraint("line_id", "point"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    point: Mapped[Name] = mapped_column(
        comment="bath_inlet, bath_outlet, lehr_inlet, inspection, cutter, ..."
    )
    distance_m_upstream_of_inspection: Mapped[float] = mapped_column(comment="metres; downstream is negative")


class Roll(Base):
    """A roll that touches the ribbon; its circumference is the pitch of its marks."""

    __tablename__ = "roll"
    __table_args__ = (UniqueConstraint("line_id", "name"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    name: Mapped[Name]
    diameter_mm: Mapped[float]
    distance_m_upstream_of_inspection: Mapped[float]


class LineLogRow(Base):
    """What the line reported at one time; holds until the next row."""

    __tablename__ = "line_log"
    __table_args__ = (UniqueConstraint("line_id", "time"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    time: Mapped[Moment]
    ribbon_speed_m_per_min: Mapped[float]
    gross_width_mm: Mapped[float | None]
    net_width_mm: Mapped[float | None]
    thickness_mm: Mapped[float | None]
    pull_t_per_day: Mapped[float | None]


class FurnaceLogRow(Base):
    """One reading of one furnace tag."""

    __tablename__ = "furnace_log"
    __table_args__ = (UniqueConstraint("line_id", "tag", "time"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    tag: Mapped[Name]
    time: Mapped[Moment]
    value: Mapped[float]
    unit: Mapped[Short]


class Event(Base):
    """Something that happened at the plant, entered by hand, good to a quarter of an hour."""

    __tablename__ = "event"
    __table_args__ = (UniqueConstraint("line_id", "event_id"), Index(None, "line_id", "start_at"))

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    event_id: Mapped[Name] = mapped_column(comment="the plant's own number of the event")
    start_at: Mapped[Moment]
    end_at: Mapped[datetime | None] = mapped_column(comment="empty: a moment, or not yet over")
    kind: Mapped[Name]
    text: Mapped[LongText]


class Shift(Base):
    """A stretch of time during which one crew inspected."""

    __tablename__ = "shift"
    __table_args__ = (UniqueConstraint("line_id", "start_at"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    name: Mapped[Short] = mapped_column(comment="early, late, night")
    crew: Mapped[Short] = mapped_column(comment="which crew: A, B, C, D")
    start_at: Mapped[Moment]
    end_at: Mapped[Moment]


class ImportRun(Base):
    """One plant file that came in: what it was and what became of its rows."""

    __tablename__ = "import_run"

    id: Mapped[Id]
    at: Mapped[Moment] = mapped_column(index=True)
    kind: Mapped[Short] = mapped_column(
        comment="plant, line-log, furnace-log, events, layout, rolls, sheets, defects"
    )
    file_name: Mapped[Name]
    sha256: Mapped[str] = mapped_column(comment="of the file's bytes")
    rows_read: Mapped[int]
    rows_added: Mapped[int]
    rows_same: Mapped[int] = mapped_column(comment="rows that were there already")
    rows_refused: Mapped[int]
    message: Mapped[LongText | None] = mapped_column(comment="warnings, such as unknown columns")
    user_id: Mapped[int | None] = link("user_account.id", "who imported, where known")
