"""Ways from a section of the plant to the inspection point: when glass made there is seen here.

A source that starts at time s in a section and never stops fills the ribbon at inspection to the share
F(s, t) at time t; a source from s to e gives F(s, t) - F(e, t). For bath, lehr and cold end F is a step
at the ribbon's own lag; for refiner and melter it is the residence-time distribution in tonnes drawn, at
the time the glass entered the bath.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from models.ribbon import LineLog, MeasuredResidence, Residence, VesselChain, drawn_tonnes, known_pull
from models.trace.data import LineRows, TraceInput, Vessels

DAY_S = 86400.0
DRAWS = 48
THROUGH_REFINER = 0.7  # how sure it is that melter glass passes the refiner's whole mass


@dataclass(frozen=True)
class Draw:
    """One way the vessels may truly be: F of the route on an even grid of tonnes."""

    tonnes: np.ndarray
    share: np.ndarray
    log_weight: float

    def cdf(self, tonnes: np.ndarray) -> np.ndarray:
        step = self.tonnes[1]
        at = np.clip(tonnes / step, 0.0, self.tonnes.size - 1.001)
        cell = at.astype(np.int64)
        part = at - cell
        return self.share[cell] * (1 - part) + self.share[cell + 1] * part


@dataclass(frozen=True)
class Routes:
    """
    log : metres against true time
    near_m, far_m : distances upstream within which each ribbon section lies
    drawn_s, drawn_t : cumulative tonnes, a line through these points
    draws : per vessel section ("refiner", "melter") the equally likely ways it may be
    """

    log: LineLog
    near_m: dict[str, float]
    far_m: dict[str, float]
    drawn_s: np.ndarray
    drawn_t: np.ndarray
    draws: dict[str, tuple[Draw, ...]]

    def entered(self, time_s: np.ndarray, section: str = "vessel") -> np.ndarray:
        """When glass seen at `time_s` passed the middle of a ribbon section, or entered the bath."""
        if section in self.near_m:
            upstream = 0.5 * (self.near_m[section] + self.far_m[section])
        else:
            upstream = self.far_m.get("bath", 0.0)
        return self.log.passed(self.log.metre_at(time_s), upstream)

    def slack_s(self, time_s: float, section: str) -> float:
        """Half the time the ribbon takes through a section: how far its middle may be off."""
        metre = float(self.log.metre_at(time_s))
        early = float(self.log.passed(metre, self.far_m[section]))
        late = float(self.log.passed(metre, self.near_m[section]))
        return 0.5 * (late - early)

    def tonnes(self, time_s: np.ndarray) -> np.ndarray:
        """Cumulative tonnes drawn at a time; beyond the log the nearest pull holds."""
        t = np.asarray(time_s, dtype=float)
        s, q = self.drawn_s, self.drawn_t
        first, last = (q[1] - q[0]) / (s[1] - s[0]), (q[-1] - q[-2]) / (s[-1] - s[-2])
        return np.where(
            t < s[0],
            q[0] + (t - s[0]) * first,
            np.where(t > s[-1], q[-1] + (t - s[-1]) * last, np.interp(t, s, q)),
        )

    def time_of_tonnes(self, tonnes: np.ndarray) -> np.ndarray:
        """The inverse of `tonnes` inside the log and along its first and last pull."""
        s, q = self.drawn_s, self.drawn_t
        first, last = (s[1] - s[0]) / max(q[1] - q[0], 1e-9), (s[-1] - s[-2]) / max(q[-1] - q[-2], 1e-9)
        v = np.asarray(tonnes, dtype=float)
        inside = np.interp(v, q, s)
        return np.where(
            v < q[0], s[0] + (v - q[0]) * first, np.where(v > q[-1], s[-1] + (v - q[-1]) * last, inside)
        )


def make_routes(given: TraceInput, log: LineLog) -> Routes:
    """Everything that is needed to carry times from the inspection point back to each section."""
    near, far = _sections(given)
    drawn_s, drawn_t = _drawn(given.line, log, given.vessels)
    draws = {} if given.vessels is None else vessel_draws(given.vessels)
    return Routes(log, near, far, drawn_s, drawn_t, draws)


def _sections(given: TraceInput) -> tuple[dict[str, float], dict[str, float]]:
    at = given.layout.station_m
    lehr_out, lehr_in = at("lehr_exit"), at("lehr_entry")
    bath_out, bath_in = at("bath_exit"), at("bath_entry")
    lehr_out = 20.0 if lehr_out is None else lehr_out
    lehr_in = lehr_out + 120.0 if lehr_in is None else lehr_in
    bath_out = lehr_in + 5.0 if bath_out is None else bath_out
    bath_in = bath_out + 60.0 if bath_in is None else bath_in
    near = {"cold_end": 0.0, "lehr": lehr_out, "bath": bath_out}
    far = {"cold_end": lehr_out, "lehr": lehr_in, "bath": bath_in}
    return near, far


def _drawn(line: LineRows | None, log: LineLog, vessels: Vessels | None) -> tuple[np.ndarray, np.ndarray]:
    if line is None or line.times_s.size < 2:
        span = np.array([log.times_s[0], log.times_s[0] + DAY_S])
        return span, np.array([0.0, 500.0])
    density = None if vessels is None else vessels.density_t_per_m3
    pull = known_pull(
        line.pull_t_per_day, line.speed_m_per_min, line.gross_width_mm, line.thickness_mm, density
    )
    good = np.isfinite(pull) & (pull >= 0)
    pull = np.where(good, pull, np.median(pull[good]) if good.any() else 500.0)
    tonnes = drawn_tonnes(line.times_s, pull)
    # a strictly rising line can be turned round
    return line.times_s, tonnes + np.arange(tonnes.size) * 1e-9


def vessel_draws(vessels: Vessels, draws: int = DRAWS) -> dict[str, tuple[Draw, ...]]:
    """Ways the vessels may truly be, evenly spread over the tolerances (Sobol points, fixed).

    A tracer run's own curves stand in place of mass, plug and tanks where the plant has one.
    """
    points = qmc.Sobol(5, scramble=False).random(64)[1 : draws + 1]
    low = vessels.melter_tanks_low or vessels.melter_tanks
    high = vessels.melter_tanks_high or vessels.melter_tanks
    refiner, melter = [], []
    direct = max(1, round(draws * 0.25))
    for i, (mass, plug, tanks, other, _) in enumerate(points):
        r = _measured(vessels.refiner_tracer, i) or Residence(
            vessels.refiner_mass_t * (1 + (2 * other - 1) * vessels.refiner_mass_rel_tolerance),
            vessels.refiner_plug_fraction,
            vessels.refiner_tanks,
        )
        both = _measured(vessels.melter_and_refiner_tracer, i)
        m = (
            both
            or _measured(vessels.melter_tracer, i)
            or Residence(
                vessels.melter_mass_t * (1 + (2 * mass - 1) * vessels.melter_mass_rel_tolerance),
                float(
                    np.clip(
                        vessels.melter_plug_fraction + (2 * plug - 1) * vessels.melter_plug_tolerance, 0, 0.98
                    )
                ),
                low + tanks * (high - low),
            )
        )
        if i % 4 == 0:
            refiner.append(_draw(VesselChain((r,)), -np.log(-(-draws // 4))))
        if both is not None:
            # the run has seen what there is of ways round the refiner
            melter.append(_draw(VesselChain((both,)), -np.log(draws)))
            continue
        alone = i % 4 == 3 and i // 4 < direct
        share = (1 - THROUGH_REFINER) / direct if alone else THROUGH_REFINER / (draws - direct)
        melter.append(_draw(VesselChain((m,) if alone else (m, r)), float(np.log(share))))
    return {"refiner": tuple(refiner), "melter": tuple(melter)}


def _measured(curves: tuple[MeasuredResidence, ...], i: int) -> MeasuredResidence | None:
    return curves[i % len(curves)] if curves else None


def _draw(chain: VesselChain, log_weight: float) -> Draw:
    if len(chain.vessels) > 1:
        tonnes, share = chain.table()
    else:
        tonnes = np.linspace(0.0, chain.mean_t() + 8 * chain.sd_t(), chain.grid)
        share = np.asarray(chain.cdf(tonnes))
    return Draw(tonnes, share, log_weight)
