"""The mass balance of the ribbon: pull = speed x width x thickness x density (common practice, no source)."""

from __future__ import annotations

import math

import numpy as np

from models.errors import BadValue

MINUTES_PER_DAY = 1440.0


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise BadValue(f"{name} is {value}; expected a number above 0.")


def speed_m_per_min(
    pull_t_per_day: float, width_mm: float, thickness_mm: float, density_t_per_m3: float
) -> float:
    """Speed of a ribbon that carries the pull away.

    `width_mm` is the gross width: all glass that leaves the bath. Raises BadValue for values not above 0.
    """
    _positive(
        pull_t_per_day=pull_t_per_day,
        width_mm=width_mm,
        thickness_mm=thickness_mm,
        density_t_per_m3=density_t_per_m3,
    )
    section_m2 = width_mm / 1000.0 * thickness_mm / 1000.0
    return pull_t_per_day / density_t_per_m3 / section_m2 / MINUTES_PER_DAY


def pull_t_per_day(
    speed_m_per_min: float, width_mm: float, thickness_mm: float, density_t_per_m3: float
) -> float:
    """Glass drawn off, tonnes a day; the speed may be 0 (a standing ribbon)."""
    _positive(width_mm=width_mm, thickness_mm=thickness_mm, density_t_per_m3=density_t_per_m3)
    if not (math.isfinite(speed_m_per_min) and speed_m_per_min >= 0):
        raise BadValue(f"speed_m_per_min is {speed_m_per_min}; expected 0 or more.")
    section_m2 = width_mm / 1000.0 * thickness_mm / 1000.0
    return speed_m_per_min * MINUTES_PER_DAY * section_m2 * density_t_per_m3


def glass_area_m2(tonnes: float, thickness_mm: float, density_t_per_m3: float) -> float:
    """Area of a mass of glass of one thickness: 1 t of 4 mm at 2.5 t/m3 is 100 m2."""
    _positive(thickness_mm=thickness_mm, density_t_per_m3=density_t_per_m3)
    return tonnes / density_t_per_m3 / (thickness_mm / 1000.0)


def known_pull(
    pull_t_per_day: np.ndarray,
    speed_m_per_min: np.ndarray,
    gross_width_mm: np.ndarray | None,
    thickness_mm: np.ndarray,
    density_t_per_m3: float | None,
) -> np.ndarray:
    """The log's pull, shape (N,); where it is missing or 0 the mass balance, NaN where neither is known."""
    pull = np.array(pull_t_per_day, dtype=float)
    if gross_width_mm is None or density_t_per_m3 is None:
        return pull
    section_m2 = gross_width_mm / 1000.0 * thickness_mm / 1000.0
    balance = speed_m_per_min * MINUTES_PER_DAY * section_m2 * density_t_per_m3
    return np.where(np.isfinite(pull) & (pull > 0), pull, balance)


def drawn_tonnes(times_s: np.ndarray, pull_t_per_day: np.ndarray) -> np.ndarray:
    """Tonnes drawn from the first row on, shape (N,); each row's pull holds until the next row."""
    steps = np.diff(times_s) * np.asarray(pull_t_per_day)[:-1] / 86400.0
    return np.concatenate([[0.0], np.cumsum(steps)])
