"""Rows of the demo plant's files: line log, furnace log, events, layout, rolls, figures. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from models.demo import scenario as s
from models.demo.production import DAY_S, Ribbon, smooth_noise

#: tag, unit, usual value, spread; readings every quarter of an hour
_TAGS = (
    ("melter.crown_3.temperature", "degC", 1568.0, 3.0),
    ("melter.bottom_2.temperature", "degC", 1289.0, 2.0),
    ("melter.pressure", "Pa", 4.0, 0.6),
    ("refiner.temperature", "degC", 1208.0, 2.2),
    ("bath.hydrogen", "%", 5.2, 0.12),
    ("bath.outlet.temperature", "degC", 612.0, 1.4),
    ("lehr.zone_b.temperature", "degC", 548.0, 1.1),
)
_STEP_S = 900.0


def line_log(line_id: int, start: datetime, ribbon: Ribbon) -> list[dict[str, Any]]:
    """A row every five minutes."""
    return [
        {
            "line_id": line_id,
            "time": start + timedelta(seconds=t),
            "ribbon_speed_m_per_min": speed,
            "gross_width_mm": s.GROSS_MM,
            "net_width_mm": s.NET_MM,
            "thickness_mm": thickness,
            "pull_t_per_day": pull,
        }
        for t, speed, thickness, pull in zip(
            ribbon.times_s.tolist(),
            ribbon.speed_m_per_min.tolist(),
            ribbon.thickness_mm.tolist(),
            ribbon.pull_t_per_day.tolist(),
            strict=True,
        )
    ]


def furnace_log(rng: np.random.Generator, line_id: int, start: datetime, days: float) -> list[dict[str, Any]]:
    """Readings that wander; the crown runs hot during the repair and hydrogen dips once."""
    times = np.arange(0.0, days * DAY_S, _STEP_S)
    rows = []
    for tag, unit, usual, spread in _TAGS:
        values = usual + spread * (
            0.8 * smooth_noise(rng, times, 9 * 3600.0) + 0.25 * rng.normal(0, 1, times.size)
        )
        if tag == "melter.crown_3.temperature":
            values += 34.0 * _bump(times, s.STONE_EVENT.day, s.STONE_EVENT.hours or 0.0)
        if tag == "melter.pressure":
            values -= 2.1 * _bump(times, s.STONE_EVENT.day, s.STONE_EVENT.hours or 0.0)
        if tag == "bath.hydrogen":
            values -= 0.9 * _bump(times, 13.2, 0.5)
        rows += [
            {
                "line_id": line_id,
                "tag": tag,
                "unit": unit,
                "time": start + timedelta(seconds=t),
                "value": value,
            }
            for t, value in zip(times.tolist(), np.round(values, 2).tolist(), strict=True)
        ]
    return rows


def _bump(times_s: np.ndarray, day: float, hours: float) -> np.ndarray:
    """Rises within an hour, stays, and falls off over some hours."""
    since = times_s - day * DAY_S
    after = since - hours * 3600
    rise = np.clip(since / 3600.0, 0, 1)
    return np.where(since < 0, 0.0, np.where(after < 0, rise, np.exp(-np.maximum(after, 0) / (3 * 3600.0))))


def events(line_id: int, start: datetime, days: float) -> list[dict[str, Any]]:
    """The plant's diary; times are written down to the quarter of an hour."""
    rows = []
    for one in s.HAPPENINGS:
        if one.day < days:
            begins = _quarter(start + timedelta(days=one.day))
            ends = None if one.hours is None else _quarter(begins + timedelta(hours=one.hours))
            rows.append(
                {
                    "line_id": line_id,
                    "event_id": one.event_id,
                    "start_at": begins,
                    "end_at": ends,
                    "kind": one.kind,
                    "text": one.text,
                }
            )
    return rows


def _quarter(moment: datetime) -> datetime:
    return moment.replace(minute=moment.minute // 15 * 15, second=0, microsecond=0)
