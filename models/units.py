"""Arithmetic between the units of the trade. Names carry the unit; nothing here rounds."""

from __future__ import annotations

MM_PER_M = 1000.0
MM2_PER_M2 = 1_000_000.0
MINUTES_PER_DAY = 1440.0


def area_m2(width_mm: float, length_mm: float) -> float:
    """Area of a rectangle given in millimetres, in square metres."""
    return width_mm * length_mm / MM2_PER_M2


def mass_t(area: float, thickness_mm: float, density_t_per_m3: float) -> float:
    """Mass in tonnes of glass of `area` m2 and this thickness."""
    return area * thickness_mm / MM_PER_M * density_t_per_m3


def pull_t_per_day(
    speed_m_per_min: float, width_mm: float, thickness_mm: float, density_t_per_m3: float
) -> float:
    """Tonnes a day drawn as ribbon: speed x width x thickness x density (common practice, no source)."""
    return (
        speed_m_per_min * MINUTES_PER_DAY * width_mm / MM_PER_M * thickness_mm / MM_PER_M * density_t_per_m3
    )
