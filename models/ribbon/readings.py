"""Readings of a tracer run: checks, the level without tracer, and how far a reading may be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.errors import BadValue

METHODS = ("pulse", "step")
FEWEST = 5
# where nothing tells the noise: part of a reading. Common practice, no source.
UNKNOWN_NOISE = 0.05


@dataclass(frozen=True)
class Readings:
    """One run's readings, in order.

    method : "pulse" or "step"
    tonnes : float array, shape (N,), drawn between the tracer's going in and the sample's leaving the vessel;
        at or below 0 for samples from before
    tracer : float array, shape (N,)
    sd : standard deviation of the readings, shape (N,), NaN where unknown; None: unknown
    background : level without tracer, shape (N,), where the plant states it; None: from the samples before
    final : reading when all glass is new (step only); None: from the last readings
    tonnes_tolerance : how far the tonnes may be off as a whole, relative
    unit : of the readings, for sentences; empty: not told
    """

    method: str
    tonnes: np.ndarray
    tracer: np.ndarray
    sd: np.ndarray | None = None
    background: np.ndarray | None = None
    final: float | None = None
    tonnes_tolerance: float = 0.01
    unit: str = ""


def checked(readings: Readings) -> tuple[np.ndarray, np.ndarray]:
    """Tonnes and readings as float arrays. Raises BadValue where they cannot be a run."""
    q, c = np.asarray(readings.tonnes, dtype=float), np.asarray(readings.tracer, dtype=float)
    if readings.method not in METHODS:
        raise BadValue(f"method is {readings.method!r}; expected pulse or step")
    if q.shape != c.shape or q.ndim != 1 or q.size < FEWEST:
        raise BadValue(f"the run has {q.size} readings; expected at least {FEWEST}")
    if not (np.isfinite(q).all() and np.isfinite(c).all()):
        raise BadValue("the run has readings that are no numbers; expected finite tonnes and tracer")
    if (np.diff(q) <= 0).any():
        raise BadValue("two samples of the run fall on the same tonnes; expected tonnes that increase")
    return q, c


def background_of(readings: Readings, q: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, float, list[str]]:
    """(level without tracer at every reading, standard deviation of its mean, sentences).

    Raises BadValue where nothing tells it.
    """
    if readings.background is not None:
        return np.asarray(readings.background, dtype=float), 0.0, []
    before = c[q <= 0]
    if before.size == 0:
        raise BadValue(
            "no sample was taken before the tracer could come; expected one at least, or a column background"
        )
    level = float(before.mean())
    spread = float(before.std(ddof=1)) if before.size > 2 else 0.0
    unit = f" {readings.unit}" if readings.unit else ""
    said = f"Background {level:.3g}{unit}, from {before.size} sample{'s' if before.size > 1 else ''} before"
    level_sd = spread / np.sqrt(before.size)
    end = _settled(q, c, level, level_sd) if readings.method == "pulse" else None
    if end is None:
        return np.full(c.size, level), level_sd, [f"{said}."]
    there, value = end
    said += f", and {value:.3g}{unit} at the end, where the readings have settled; straight between."
    return level + (value - level) * np.clip(q / there, 0.0, 1.0), level_sd, [said]


def _settled(q: np.ndarray, c: np.ndarray, level: float, level_sd: float) -> tuple[float, float] | None:
    """(tonnes, level) at which a pulse's last readings have settled beside the background; None where not.

    They have where the last quarter of the record lies level, or below the background, by more than its
    error, and within a tenth of the peak of it: a tail that still fades has a slope.
    """
    last = q > 0.75 * q[-1]
    if last.sum() < 6:
        return None
    t, y = q[last] - q[last].mean(), c[last]
    slope = float(t @ y / (t @ t))
    rest = y - y.mean() - slope * t
    noise = float(np.sqrt(rest @ rest / (rest.size - 2)))
    off = float(y.mean()) - level
    clear = abs(off) > 3.0 * float(np.hypot(noise / np.sqrt(y.size), level_sd)) and noise > 0
    near = abs(off) < 0.1 * float((c - level).max())
    fades = slope < -2.0 * noise / float(np.sqrt(t @ t))
    if not (clear and near) or (off > 0 and fades):
        return None
    return float(q[last].mean()), float(y.mean())


def noise_of(readings: Readings, q: np.ndarray, net: np.ndarray) -> float | None:
    """Standard deviation of a reading: as stated, from samples before, or from how neighbours disagree."""
    if readings.sd is not None and np.isfinite(readings.sd).any():
        return float(np.sqrt(np.nanmean(np.square(readings.sd))))
    before = net[q <= 0]
    if before.size >= 4:
        return float(before.std(ddof=1))
    if net.size < 30:
        return None
    share = (q[1:-1] - q[:-2]) / (q[2:] - q[:-2])
    off = net[1:-1] - (net[:-2] * (1 - share) + net[2:] * share)
    return float(1.4826 * np.median(np.abs(off) / np.sqrt(1 + share**2 + (1 - share) ** 2)))


def each_of(
    readings: Readings, after: np.ndarray, q: np.ndarray, net: np.ndarray, noise: float | None
) -> np.ndarray:
    """Standard deviation of every reading since the tracer went in, shape of `q`."""
    each = UNKNOWN_NOISE * np.abs(net) if noise is None else np.full(q.size, noise)
    if readings.sd is not None:
        given = np.asarray(readings.sd, dtype=float)[after]
        given = np.concatenate([np.full(q.size - given.size, np.nan), given])
        each = np.where(np.isfinite(given), given, each)
    return each
