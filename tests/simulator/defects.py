"""Defects of the invented line: a restless background, and episodes of known origin on top."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.ribbon import VesselChain
from tests.simulator.line import DAY, HOUR, SimLine
from tests.simulator.restless import restless_background, restless_rates

BLOCK_S = 900.0
SHAPES = ("melter", "refiner", "bath_burst", "bath_ramp", "street", "repeat")
EVENT_KINDS = {
    "melter": ("batch change", "burner fault", "cullet change"),
    "refiner": ("stirrer stop", "refiner cooling"),
    "bath": ("bath atmosphere", "tin bath heater", "top roll"),
    "lehr": ("roll work", "lehr fan"),
    "cold_end": ("cutter service", "washer"),
}


@dataclass(frozen=True)
class Truth:
    """One episode as it was made. Times in true Unix seconds.

    passed_start : when 2 % of the defects of a vessel's slow rise had passed, another way to say when it was
        first seen; None where the rise is not slow
    """

    shape: str
    kind: str
    section: str
    x_lo_mm: float
    x_hi_mm: float
    origin_start: float
    origin_end: float
    seen_start: float
    seen_end: float
    count: int
    event_id: str | None
    roll: str | None
    pitch_mm: float | None
    passed_start: float | None = None


@dataclass
class SimDefects:
    """Arrays of equal length, one row a defect, sorted by metre; kinds by index into `kinds`."""

    kinds: tuple[str, ...]
    kind: np.ndarray
    ribbon_m: np.ndarray
    ribbon_x: np.ndarray
    sheet: np.ndarray
    truths: list[Truth]
    events: list[tuple[str, float, float | None, str]]


def edge_profile(x: np.ndarray, net: tuple[float, float], strength: float) -> np.ndarray:
    depth = np.minimum(x - net[0], net[1] - x)
    return 1.0 + strength * np.exp(-np.maximum(depth, 0) / 180.0)


def simulate(
    rng: np.random.Generator, line: SimLine, *, per_m2: float = 0.12, episodes: int | None = None,
    shapes: tuple[str, ...] = SHAPES, drift: float | None = None, restless: bool = False,
) -> SimDefects:  # fmt: skip
    """Background and episodes; `episodes` None draws about one in five days of line.

    restless : the second kind of background, with rates of its own (`per_m2` and `drift` are not used)
    """
    days = (line.log_times[-1] - line.log_times[0]) / DAY
    rows: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    if restless:
        background = restless_rates(rng, days)
        kinds = tuple(background)
        for k, kind in enumerate(kinds):
            rows.append((*restless_background(rng, line, background[kind], kind), np.array([k])))
    else:
        kinds = ("bubble", "stone", "scratch")
        share = np.array([0.5, 0.25, 0.25])
        drift = float(rng.uniform(0.12, 0.25)) if drift is None else drift
        for k in range(len(kinds)):
            rows.append((*_background(rng, line, per_m2 * share[k], drift), np.array([k])))
        background = {kind: per_m2 * share[k] for k, kind in enumerate(kinds)}
    truths: list[Truth] = []
    n = int(rng.poisson(days / 5.0)) if episodes is None else episodes
    for i in range(n):
        made = _episode(rng, line, shapes[i % len(shapes)], background, truths)
        if made is not None:
            m, x, truth = made
            rows.append((m, x, np.array([kinds.index(truth.kind)])))
            truths.append(truth)
    m = np.concatenate([r[0] for r in rows])
    x = np.concatenate([r[1] for r in rows])
    kind = np.concatenate([np.full(r[0].size, r[2][0]) for r in rows])
    m, x, kind, sheet, truths = _inspect(
        rng, line, m, x, kind, truths, [r[0].size for r in rows[len(kinds) :]]
    )
    truths, events = _events(rng, line, truths, days)
    return SimDefects(kinds, kind, m, x, sheet, truths, events)


def _net(line: SimLine) -> tuple[float, float]:
    trim = (line.figures.gross_mm - line.figures.net_mm) / 2
    return trim, trim + line.figures.net_mm


def _background(rng, line, per_m2, drift):
    edges = np.arange(line.log_times[0], line.log_times[-1], BLOCK_S)
    metres = np.diff(line.log.metre_at(np.append(edges, edges[-1] + BLOCK_S)))
    # drift of `drift` (standard deviation, log) that forgets itself over a day and a half
    keep = np.exp(-BLOCK_S / (rng.uniform(1.0, 2.0) * DAY))
    wander = np.empty(edges.size)
    wander[0] = rng.normal()
    steps = rng.normal(size=edges.size) * np.sqrt(1 - keep**2)
    for i in range(1, edges.size):
        wander[i] = keep * wander[i - 1] + steps[i]
    rough = rng.gamma(8.0, 1 / 8.0, edges.size)
    mean = per_m2 * metres * line.figures.net_mm / 1000 * np.exp(drift * wander - drift**2 / 2) * rough
    count = rng.poisson(mean)
    block = np.repeat(np.arange(edges.size), count)
    t = edges[block] + rng.random(block.size) * BLOCK_S
    net = _net(line)
    x = rng.uniform(*net, 3 * block.size + 50)
    strength = rng.uniform(0.5, 1.5)
    x = x[rng.random(x.size) * (1 + strength) < edge_profile(x, net, strength)][: block.size]
    return line.log.metre_at(t[: x.size]), x


def _episode(rng, line, shape, background, truths):
    for _ in range(60):
        made = _try_episode(rng, line, shape, background)
        if made is None:
            continue
        t = made[2]
        # overlaps are allowed across kinds and bands, a burst on top of the same kind and band is not
        apart = all(
            o.kind != t.kind or o.x_hi_mm < t.x_lo_mm or t.x_hi_mm < o.x_lo_mm
            or o.seen_end + 6 * HOUR < t.seen_start or t.seen_end + 6 * HOUR < o.seen_start
            for o in truths
        )  # fmt: skip
        if apart:
            return made
    return None


def _try_episode(rng, line, shape, background):
    net = _net(line)
    first, last = line.log_times[0], line.log_times[-1]
    width = net[1] - net[0]
    kind = str(rng.choice(["bubble", "stone"]))
    rate = background[kind]
    if shape in ("melter", "refiner"):
        chain = [line.figures.true_refiner]
        duration = rng.uniform(2, 10) * HOUR
        if shape == "melter":
            chain, duration = [line.figures.true_melter, *chain], rng.uniform(6, 20) * HOUR
        origin = float(rng.uniform(first, last - 2 * DAY))
        band = net if shape == "melter" or rng.random() < 0.6 else _band(rng, net, 0.4 * width, 0.8 * width)
        excess = rate * rng.uniform(1.2, 3.0) * (band[1] - band[0]) / 1000
        t, seen = _through_vessels(rng, line, VesselChain(tuple(chain)), origin, duration, excess)
        if t.size < 40 or np.quantile(t, 0.95) > last - 0.3 * DAY or np.quantile(t, 0.05) < first + 2 * DAY:
            return None
        start, end = origin, origin + duration
        section = shape
        x = rng.uniform(*band, t.size)
        return (
            line.log.metre_at(t),
            x,
            Truth(
                shape,
                kind,
                section,
                *band,
                start,
                end,
                *seen,
                t.size,
                None,
                None,
                None,
                float(np.quantile(t, 0.02)),
            ),
        )
    if shape == "repeat":
        return _repeat(rng, line, net)
    distance = float(rng.uniform(line.layout.upstream_m["bath_outlet"], line.layout.upstream_m["bath_inlet"]))
    section = "bath"
    if shape == "bath_burst":
        band, duration, factor = _band(rng, net, 200, 900), rng.uniform(0.7, 8) * HOUR, rng.uniform(3, 8)
    elif shape == "bath_ramp":
        band, duration, factor = _band(rng, net, 300, 1600), rng.uniform(14, 40) * HOUR, rng.uniform(3, 5)
    else:
        band, duration, factor = _band(rng, net, 20, 70), rng.uniform(10, 72) * HOUR, rng.uniform(6, 14)
        if rng.random() < 0.3:
            kind, section = "scratch", "lehr"
            distance = float(
                rng.uniform(line.layout.upstream_m["lehr_outlet"], line.layout.upstream_m["lehr_inlet"])
            )
    start = float(rng.uniform(first + 1.5 * DAY, last - duration - 0.5 * DAY))
    seen = (float(line.log.seen(start, distance)), float(line.log.seen(start + duration, distance)))
    area = (line.log.metre_at(seen[1]) - line.log.metre_at(seen[0])) * (band[1] - band[0]) / 1000
    n = rng.poisson(rate * area * (factor - 1))
    if n < 12:
        return None
    u = rng.random(n)
    t = seen[0] + (seen[1] - seen[0]) * (np.sqrt(u) if shape == "bath_ramp" else u)
    x = rng.uniform(*band, n)
    return (
        line.log.metre_at(t),
        x,
        Truth(shape, kind, section, *band, start, start + duration, *seen, n, None, None, None),
    )


def _band(rng, net, narrow, wide):
    width = float(rng.uniform(narrow, min(wide, net[1] - net[0])))
    left = float(rng.uniform(net[0], net[1] - width))
    return left, left + width


def _through_vessels(rng, line, chain, origin, duration, excess_per_m):
    """Times at inspection of defects made at an even rate from `origin` on for `duration`; seen from and to.

    A slow rise is said to be seen where it stands above a tenth of its peak.
    """
    lag_m = line.layout.upstream_m["bath_inlet"]
    edges = np.arange(line.log_times[0], line.log_times[-1], BLOCK_S)
    middle = line.log.passed(line.log.metre_at(edges + BLOCK_S / 2), lag_m)
    q = line.tonnes_at(middle)
    response = chain.cdf(q - line.tonnes_at(origin)) - chain.cdf(q - line.tonnes_at(origin + duration))
    metres = np.diff(line.log.metre_at(np.append(edges, edges[-1] + BLOCK_S)))
    full = max(float(response.max()), 1e-9)
    count = rng.poisson(excess_per_m * metres * response / full)
    block = np.repeat(np.arange(edges.size), count)
    high = np.flatnonzero(response > 0.1 * full)
    seen = (float(edges[high[0]]), float(edges[high[-1]] + BLOCK_S)) if high.size else (origin, origin)
    return edges[block] + rng.random(block.size) * BLOCK_S, seen


def _repeat(rng, line, net):
    roll = line.rolls[int(rng.integers(len(line.rolls)))]
    pitch = np.pi * roll.diameter_mm * (1 + rng.uniform(-0.004, 0.004))
    start = float(rng.uniform(line.log_times[0] + 1.5 * DAY, line.log_times[-1] - DAY))
    end = start + rng.uniform(0.5, 12) * HOUR
    seen = (float(line.log.seen(start, roll.upstream_m)), float(line.log.seen(end, roll.upstream_m)))
    m0, m1 = line.log.metre_at(seen[0]), line.log.metre_at(seen[1])
    marks = np.arange(m0, m1, pitch / 1000)
    marks = marks[rng.random(marks.size) < rng.uniform(0.04, 0.5)]
    if marks.size < 15:
        return None
    marks = marks + rng.normal(0, rng.uniform(0.003, 0.02), marks.size)
    x0 = float(rng.uniform(net[0] + 50, net[1] - 50))
    x = x0 + rng.normal(0, rng.uniform(2, 6), marks.size)
    # the glass on a lift-out roll has left the bath
    section = "cold_end" if "cold" in roll.name else "lehr"
    return (
        marks,
        x,
        Truth(
            "repeat",
            "scratch",
            section,
            x0 - 12,
            x0 + 12,
            start,
            end,
            *seen,
            marks.size,
            None,
            roll.name,
            pitch,
        ),
    )


def _inspect(rng, line, m, x, kind, truths, sizes):
    """Keep what lies on an inspected sheet and the crew of the hour saw; count what is left."""
    origin = np.concatenate(
        [np.full(m.size - sum(sizes), -1), np.repeat(np.arange(len(sizes)), sizes)]
    ).astype(int)
    sheet = np.searchsorted(line.sheet_start_m, m, side="right") - 1
    inside = (sheet >= 0) & (
        m < line.sheet_start_m[np.maximum(sheet, 0)] + line.sheet_length_mm[sheet] / 1000
    )
    keep = inside & line.inspected[sheet] & (rng.random(m.size) < line.sharpness_at(line.log.time_at(m)))
    left = np.bincount(origin[keep & (origin >= 0)], minlength=len(sizes))
    truths = [replace(t, count=int(n)) for t, n in zip(truths, left, strict=True)]
    order = np.argsort(m[keep], kind="stable")
    return m[keep][order], x[keep][order], kind[keep][order], sheet[keep][order], truths


def _events(rng, line, truths, days):
    quarter = 900.0
    events, named = [], []
    for i, t in enumerate(truths):
        event_id = f"E{i + 1:03d}"
        start = t.origin_start + rng.uniform(-quarter, quarter)
        end = t.origin_end + rng.uniform(-quarter, quarter) if rng.random() < 0.6 else None
        kind = str(rng.choice(EVENT_KINDS[t.section])) if rng.random() < 0.8 else "other"
        if rng.random() < 0.9:
            events.append((event_id, start, end, kind))
            named.append(replace(t, event_id=event_id))
        else:
            named.append(t)
    all_kinds = [k for kinds in EVENT_KINDS.values() for k in kinds] + ["other"]
    for i in range(rng.poisson(1.2 * days)):
        start = float(rng.uniform(line.log_times[0] - 4 * DAY, line.log_times[-1]))
        end = start + rng.uniform(1, 20) * HOUR if rng.random() < 0.5 else None
        events.append((f"D{i + 1:03d}", start, end, str(rng.choice(all_kinds))))
    events.sort(key=lambda e: e[1])
    return named, events
