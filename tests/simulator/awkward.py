"""Lines of one awkward case each: overlaps, repeats of one upset, ends cut off. All invented."""

from __future__ import annotations

import numpy as np

from models.ribbon import VesselChain
from tests.simulator.defects import SimDefects, Truth, _background, _inspect, _net, _through_vessels
from tests.simulator.line import DAY, HOUR, SimLine

CASES = (
    "street in a melter upset", "two bursts 12 h apart", "two kinds from one upset", "short and few",
    "running at the end", "begun before the start", "uninspected hours within", "clock step within",
)  # fmt: skip
KINDS = ("bubble", "stone", "scratch")
SHARE = (0.5, 0.25, 0.25)


def awkward(rng: np.random.Generator, line: SimLine, case: str, per_m2: float = 0.1) -> SimDefects:
    """One case; changes `line` where the case asks for a clock step or hours without inspection."""
    first, last = float(line.log_times[0]), float(line.log_times[-1])
    middle = 0.5 * (first + last) + rng.uniform(-1, 1) * DAY
    rows = [_background(rng, line, per_m2 * s, 0.18) for s in SHARE]
    made: list[tuple[np.ndarray, np.ndarray, Truth]] = []
    width = rng.uniform(300, 900)
    left = rng.uniform(200, 3300 - width)
    if case == "street in a melter upset":
        made.append(_melter(rng, line, "stone", per_m2 * 0.25, middle - 3 * DAY))
        made.append(_band(rng, line, "stone", per_m2 * 0.25, middle, 30 * HOUR, (left, left + 50), 10))
    elif case == "two bursts 12 h apart":
        for start in (middle, middle + rng.uniform(14, 17) * HOUR):
            made.append(_band(rng, line, "bubble", per_m2 * 0.5, start, 3 * HOUR, (left, left + width), 5))
    elif case == "two kinds from one upset":
        for kind, share in (("bubble", 0.5), ("stone", 0.25)):
            made.append(_melter(rng, line, kind, per_m2 * share, middle - 3 * DAY))
    elif case == "short and few":
        hours = rng.uniform(2, 4) * HOUR
        made.append(_band(rng, line, "stone", per_m2 * 0.25, middle, hours, (left, left + width), 6))
    elif case == "running at the end":
        made.append(
            _band(rng, line, "bubble", per_m2 * 0.5, last - 9 * HOUR, 30 * HOUR, (left, left + width), 4)
        )
    elif case == "begun before the start":
        made.append(
            _band(rng, line, "bubble", per_m2 * 0.5, first - 9 * HOUR, 20 * HOUR, (left, left + width), 4)
        )
    else:
        made.append(_band(rng, line, "bubble", per_m2 * 0.5, middle, 12 * HOUR, (left, left + width), 4))
        seen = line.log.time_at(line.sheet_start_m)
        if case == "uninspected hours within":
            line.inspected &= ~((seen > middle + 4 * HOUR) & (seen < middle + 7 * HOUR))
        else:
            line.clock_steps[:] = [(middle + 5 * HOUR, middle + 2 * DAY, 2400.0)]
    m = np.concatenate([r[0] for r in rows] + [t[0] for t in made])
    x = np.concatenate([r[1] for r in rows] + [t[1] for t in made])
    kind = np.concatenate(
        [np.full(r[0].size, k) for k, r in enumerate(rows)]
        + [np.full(t[0].size, KINDS.index(t[2].kind)) for t in made]
    )
    m, x, kind, sheet, truths = _inspect(
        rng, line, m, x, kind, [t[2] for t in made], [t[0].size for t in made]
    )
    return SimDefects(KINDS, kind, m, x, sheet, truths, [])


def _band(rng, line, kind, rate, start, duration, band, factor):
    """A burst in a band, at inspection from `start` on; the log's ends cut it off."""
    a, b = max(start, float(line.log_times[0])), min(start + duration, float(line.log_times[-1]) - 60)
    area = float(line.log.metre_at(b) - line.log.metre_at(a)) * (band[1] - band[0]) / 1000
    n = rng.poisson(rate * area * (factor - 1))
    t = rng.uniform(a, b, n)
    lag = 180.0 * 60 / float(np.median(line.log_speed))
    truth = Truth("burst", kind, "bath", *band, a - lag, b - lag, a, b, n, None, None, None)
    return line.log.metre_at(t), rng.uniform(*band, n), truth


def _melter(rng, line, kind, rate, origin):
    net = _net(line)
    duration = rng.uniform(6, 14) * HOUR
    chain = VesselChain((line.figures.true_melter, line.figures.true_refiner))
    excess = rate * rng.uniform(1.8, 2.6) * (net[1] - net[0]) / 1000
    t, seen = _through_vessels(rng, line, chain, origin, duration, excess)
    truth = Truth("melter", kind, "melter", *net, origin, origin + duration, *seen, t.size, None, None, None)
    return line.log.metre_at(t), rng.uniform(*net, t.size), truth
