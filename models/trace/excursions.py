"""Excursions of furnace tags: stretches in which a reading left its own recent level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from models.trace.data import TagSeries

LIMIT = 4.5
USUAL_SPAN_S = 48 * 3600.0
MOST_PER_TAG = 40


@dataclass(frozen=True)
class Excursion:
    """`size` in robust standard deviations of the tag's own noise, negative for a low reading."""

    tag: str
    unit: str
    start_s: float
    end_s: float
    size: float
    usual: float
    extreme: float


def find_excursions(series: TagSeries) -> list[Excursion]:
    """Stretches beyond `LIMIT` robust deviations from the running median, strongest first.

    The running median spans two days, so that slow trends are followed and upsets of up to half of
    that stand out.
    """
    keep = np.isfinite(series.values)
    t, v = series.times_s[keep], series.values[keep]
    if t.size < 24:
        return []
    step = float(np.median(np.diff(t)))
    span = max(5, int(USUAL_SPAN_S / max(step, 1.0)) | 1)
    thin = max(1, span // 200)
    usual = ndimage.median_filter(v[::thin], max(5, (span // thin) | 1), mode="nearest")
    usual = np.interp(np.arange(v.size), np.arange(0, v.size, thin), usual)
    left = v - usual
    noise = 1.4826 * float(np.median(np.abs(left - np.median(left))))
    if noise <= 0:
        noise = float(np.std(left)) or 1.0
    # a running median of five readings lets no spike of one or two through
    smooth = ndimage.median_filter(left, 5, mode="nearest")
    label, _ = ndimage.label(np.abs(smooth) > LIMIT * noise * 0.7)
    found = []
    for n, piece in enumerate(ndimage.find_objects(label), 1):
        at = piece[0]
        inside = label[at] == n
        peak = smooth[at][inside]
        extreme = int(np.argmax(np.abs(peak)))
        size = float(peak[extreme] / noise)
        if abs(size) < LIMIT or at.stop - at.start < 2:
            continue
        start, end = float(t[at.start]), float(t[at.stop - 1] + step)
        row = at.start + extreme
        found.append(Excursion(series.tag, series.unit, start, end, size, float(usual[row]), float(v[row])))
    return sorted(_merged(found, 3 * step), key=lambda x: -abs(x.size))[:MOST_PER_TAG]


def _merged(found: list[Excursion], gap_s: float) -> list[Excursion]:
    out: list[Excursion] = []
    for x in sorted(found, key=lambda e: e.start_s):
        if out and x.start_s - out[-1].end_s <= gap_s and (x.size > 0) == (out[-1].size > 0):
            a = out[-1]
            big = x if abs(x.size) > abs(a.size) else a
            out[-1] = Excursion(a.tag, a.unit, a.start_s, x.end_s, big.size, big.usual, big.extreme)
        else:
            out.append(x)
    return out
