"""Marks that come back along the ribbon at one place across it: is there a pitch, and how long is it?

The Rayleigh statistic of the folded places (Mardia and Jupp, Directional Statistics, 2000, ch. 6; Rayleigh
1919), summed over pieces of ribbon so that a pitch need not hold its phase for kilometres. Missed marks
do no harm to it. The largest pitch that fits is taken: its half and third fit too (harmonics).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc

SHORTEST_MM, LONGEST_MM = 200.0, 2600.0
MOST_MARKS = 700
PIECES_FROM = 8  # marks wanted per piece of ribbon
SURE = 1e-6


@dataclass(frozen=True)
class Pitch:
    """
    pitch_mm, se_mm : least squares of place on number of turns
    p_value : chance of so strong a rhythm among marks without one, all trial pitches counted
    concentration : mean resultant length of the folded places, 0 to 1
    marks : marks on the rhythm; turns : turns they span
    noise_mm : scatter of the marks about the rhythm
    """

    pitch_mm: float
    se_mm: float
    p_value: float
    concentration: float
    marks: int
    turns: int
    noise_mm: float


def rayleigh(places: np.ndarray, pitch: float) -> tuple[float, float]:
    """(mean resultant length, p) of places folded at a pitch, same unit.

    p in the form exp(sqrt(1 + 4n + 4(n^2 - R^2)) - (1 + 2n)) (Zar, Biostatistical Analysis, eq. 27.4), which
    never turns negative.
    """
    angle = 2 * np.pi * np.asarray(places, dtype=float) / pitch
    n = angle.size
    length = float(np.hypot(np.cos(angle).sum(), np.sin(angle).sum()))
    p = float(np.exp(np.sqrt(1 + 4 * n + 4 * (n * n - length * length)) - (1 + 2 * n)))
    return length / max(n, 1), min(1.0, p)


def find_pitch(
    ribbon_m: np.ndarray, shortest_mm: float = SHORTEST_MM, longest_mm: float = LONGEST_MM
) -> Pitch | None:
    """Pitch of marks at places `ribbon_m` (metres, any order), or None where there is no sure rhythm."""
    m = np.sort(np.asarray(ribbon_m, dtype=float))
    if m.size < 8:
        return None
    m = _busiest(m)
    span = m[-1] - m[0]
    if span < 3 * shortest_mm / 1000:
        return None
    pieces = _pieces(m, longest_mm / 1000)
    length = max(float(p[-1] - p[0]) for p in pieces)
    step = 1.0 / max(length, 1.0) / 5.0
    f = np.arange(1000.0 / longest_mm, 1000.0 / shortest_mm, step)
    power, count = _power(pieces, f)
    trials = max(1.0, length * (f[-1] - f[0])) * 3.0
    p = np.minimum(1.0, gammaincc(count, power) * trials)
    best = int(np.argmax(power))
    if p[best] > SURE:
        return None
    top = _largest_fitting(pieces, f, power, float(f[best]), count, step, trials)
    return _refined(m, pieces, top, float(max(p[best], 1e-300)))


def _busiest(m: np.ndarray) -> np.ndarray:
    """At most MOST_MARKS neighbouring marks, where they lie closest."""
    if m.size <= MOST_MARKS:
        return m
    spans = m[MOST_MARKS - 1 :] - m[: m.size - MOST_MARKS + 1]
    at = int(np.argmin(spans))
    return m[at : at + MOST_MARKS]


def _pieces(m: np.ndarray, longest: float) -> list[np.ndarray]:
    """Pieces of ribbon with enough marks each, at least ten of the longest pitch long."""
    span = float(m[-1] - m[0])
    length = max(12 * longest, span * PIECES_FROM / m.size)
    edges = np.arange(m[0], m[-1] + length, length)
    parts = np.split(m, np.searchsorted(m, edges[1:-1]))
    return [p for p in parts if p.size >= 3] or [m]


def _power(pieces: list[np.ndarray], f: np.ndarray) -> tuple[np.ndarray, int]:
    """Sum over pieces of R^2 / n at every frequency (per metre), and the number of pieces."""
    total = np.zeros(f.size)
    for piece in pieces:
        angle = 2 * np.pi * np.outer(f, piece - piece[0])
        total += (np.cos(angle).sum(axis=1) ** 2 + np.sin(angle).sum(axis=1) ** 2) / piece.size
    return total, len(pieces)


def _largest_fitting(
    pieces: list[np.ndarray],
    f: np.ndarray,
    power: np.ndarray,
    best: float,
    count: int,
    step: float,
    trials: float,
) -> float:
    """The lowest frequency of which the best one is a whole multiple and that is itself sure."""
    top = float(power.max()) - count
    for multiple in (6, 5, 4, 3, 2):
        near = best / multiple
        if near < f[0]:
            continue
        fine = near + np.linspace(-1.5, 1.5, 31) * step
        value, _ = _power(pieces, fine)
        at = int(np.argmax(value))
        sure = gammaincc(count, value[at]) * 31 < SURE
        if sure and value[at] - count > 0.08 * top:
            return float(fine[at])
    return best


def _refined(m: np.ndarray, pieces: list[np.ndarray], f0: float, p_value: float) -> Pitch:
    """Carry the phase from piece to piece as far as it holds; least squares of place on turn."""
    fine = f0 + np.linspace(-1, 1, 81) / max(float(p[-1] - p[0]) for p in pieces) / 5.0
    pitch = 1.0 / float(fine[int(np.argmax(_power(pieces, fine)[0]))])
    start = max(pieces, key=lambda p: p.size)
    middle = 0.5 * (start[0] + start[-1])
    reach = 0.5 * (start[-1] - start[0]) + 1e-9
    se, used, noise = np.inf, start, 0.0
    while True:
        inside = m[np.abs(m - middle) <= reach]
        fit = fit_turns(inside, pitch, middle)
        if fit is None or fit[3] > 0.16 * fit[0]:
            break
        pitch, _, se, noise, used = fit
        if reach >= max(m[-1] - middle, middle - m[0]):
            break
        # extend only as far as the turns can still be counted without doubt
        sure = 0.12 * pitch / max(se, 1e-12) * pitch
        grown = min(reach * 2.0, max(sure, reach * 1.1))
        if grown <= reach * 1.01:
            break
        reach = grown
    length, _ = rayleigh(used, pitch)
    turns = round((used[-1] - used[0]) / pitch)
    return Pitch(
        pitch * 1000, float(min(se * 1000, pitch * 200)), p_value, length, int(used.size), turns, noise * 1000
    )


def fit_turns(
    m: np.ndarray, pitch: float, middle: float
) -> tuple[float, float, float, float, np.ndarray] | None:
    """Least squares of place on turn, strays left out.

    m : places of marks; pitch : about right, same unit; middle : a place near which turns are counted from

    Returns (pitch, place of turn 0, standard error of the pitch, scatter, marks kept), or None where
    too few marks are on the rhythm.
    """
    if m.size < 4:
        return None
    angle = 2 * np.pi * (m - middle) / pitch
    centre = middle + float(np.angle(np.exp(1j * angle).sum())) / (2 * np.pi) * pitch
    k = np.round((m - centre) / pitch)
    slope, zero, widest = pitch, centre, 0.2 * pitch
    fit = None
    for _ in range(3):
        left = m - zero - k * slope
        keep = np.abs(left) < widest
        if keep.sum() < 4 or np.ptp(k[keep]) < 2:
            return None
        turns, kept = k[keep], m[keep]
        bar = turns.mean()
        spread = float(((turns - bar) ** 2).sum())
        slope = float(((turns - bar) * kept).sum() / spread)
        zero = float(kept.mean() - slope * bar)
        rest = kept - zero - slope * turns
        noise = float(np.sqrt((rest**2).sum() / max(kept.size - 2, 1)))
        fit = (slope, zero, noise / np.sqrt(spread), noise, kept)
        # next time leave out what lies far beyond the scatter of the middle half
        widest = max(4.0 * 1.4826 * float(np.median(np.abs(rest))), 0.01 * pitch)
    return fit
