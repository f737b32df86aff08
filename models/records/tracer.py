"""Tracer runs: what the laboratory read in the glass after a tracer had gone into a vessel."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, LongText, Moment, Name, Short, link, one_of

TRACER_SECTIONS = ("melter", "refiner", "melter+refiner")
TRACER_METHODS = ("pulse", "step")
TONNES_FROM = ("file", "pull in the file", "line log")


class TracerRun(Base):
    """One run: where and when the tracer went in, where samples were taken, whether the trace uses it."""

    __tablename__ = "tracer_run"
    __table_args__ = (
        UniqueConstraint("line_id", "run_id"),
        one_of("section", TRACER_SECTIONS),
        one_of("method", TRACER_METHODS),
        one_of("tonnes_from", TONNES_FROM),
    )

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line")
    run_id: Mapped[Name] = mapped_column(comment="the plant's own number of the run")
    section: Mapped[Short] = mapped_column(comment="the vessel or vessels between tracer and sample")
    method: Mapped[Short] = mapped_column(comment="pulse: one dose; step: a change that lasts")
    introduced_at: Mapped[Moment] = mapped_column(comment="when the tracer went in, or the change began")
    sampled_at: Mapped[Name | None] = mapped_column(
        comment="point of the layout where samples were taken; empty: where the section ends"
    )
    unit: Mapped[Short] = mapped_column(comment="of the readings")
    added_kg: Mapped[float | None] = mapped_column(comment="weight of tracer in a pulse, for the recovery")
    final: Mapped[float | None] = mapped_column(comment="reading of all-new glass after a step")
    note: Mapped[LongText]
    valid_from: Mapped[Moment] = mapped_column(comment="first moment from which the trace may use the run")
    in_use: Mapped[bool] = mapped_column(comment="false: the trace does without it")
    tonnes_from: Mapped[Short] = mapped_column(comment="how hours became tonnes")
    recorded_at: Mapped[Moment]


class TracerReading(Base):
    """One sample of a run."""

    __tablename__ = "tracer_reading"
    __table_args__ = (UniqueConstraint("tracer_run_id", "tonnes"),)

    id: Mapped[Id]
    tracer_run_id: Mapped[int] = link("tracer_run.id", "the run")
    sampled_at: Mapped[datetime | None] = mapped_column(comment="empty where the file gives tonnes alone")
    tonnes: Mapped[float] = mapped_column(comment="drawn between tracer and sample, both at the section")
    tracer: Mapped[float]
    sd: Mapped[float | None] = mapped_column(comment="standard deviation of the reading")
    background: Mapped[float | None] = mapped_column(comment="level without tracer, where stated")
