"""How long glass stays in a vessel: plug flow followed by stirred tanks in series.

Danckwerts (1953) for the distribution, MacMullin and Weber (1935) for tanks in series, Levenspiel,
Chemical Reaction Engineering, 3rd ed., ch. 14 for a real number of tanks (a gamma distribution).

Everything is a function of cumulative tonnes drawn, not of hours: when the pull changes, a vessel of
constant mass keeps its distribution in tonnes while hours stretch or shrink. With a steady pull P the
mean stay is mass / P.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from models.errors import BadValue


@dataclass(frozen=True)
class Residence:
    """One vessel.

    mass_t : glass held, tonnes (the mean of the distribution, in tonnes drawn)
    plug_fraction : part of the mass passed in plug flow, 0 to below 1
    tanks : number of stirred tanks in series for the rest, any real number >= 0.5
    """

    mass_t: float
    plug_fraction: float = 0.0
    tanks: float = 1.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.mass_t) and self.mass_t > 0):
            raise BadValue(f"Vessel mass is {self.mass_t} t; expected more than 0.")
        if not 0 <= self.plug_fraction < 1:
            raise BadValue(f"Plug fraction is {self.plug_fraction}; expected 0 or more and below 1.")
        if not (np.isfinite(self.tanks) and self.tanks >= 0.5):
            raise BadValue(f"Tanks in series is {self.tanks}; expected 0.5 or more.")

    @property
    def plug_t(self) -> float:
        return self.mass_t * self.plug_fraction

    @property
    def stirred_t(self) -> float:
        return self.mass_t - self.plug_t

    def mean_t(self) -> float:
        return self.mass_t

    def sd_t(self) -> float:
        return self.stirred_t / float(np.sqrt(self.tanks))

    def cdf(self, tonnes: np.ndarray | float) -> np.ndarray:
        """F: share of the glass that has left after `tonnes` drawn since it entered."""
        t = np.asarray(tonnes, dtype=float) - self.plug_t
        return special.gammainc(self.tanks, np.maximum(t, 0.0) * (self.tanks / self.stirred_t))

    def density(self, tonnes: np.ndarray | float) -> np.ndarray:
        """E: dF/dtonnes, per tonne; 0 before the plug has passed."""
        t = np.asarray(tonnes, dtype=float) - self.plug_t
        rate = self.tanks / self.stirred_t
        safe = np.where(t > 0, t, 1.0)
        log_e = (
            np.log(rate) + (self.tanks - 1) * np.log(safe * rate) - safe * rate - special.gammaln(self.tanks)
        )
        at_zero = rate if self.tanks == 1 else 0.0
        return np.where(t > 0, np.exp(log_e), np.where(t == 0, at_zero, 0.0))

    def quantile(self, probability: np.ndarray | float) -> np.ndarray:
        """Tonnes drawn by which the share `probability` has left."""
        return self.plug_t + special.gammaincinv(self.tanks, probability) * (self.stirred_t / self.tanks)


@dataclass(frozen=True)
class VesselChain:
    """Vessels one after the other under one pull (melter, then refiner): distributions convolved.

    `cdf` is computed on a grid of `grid` equal steps to six standard deviations beyond the mean and
    interpolated; for one vessel the closed form is used.
    """

    vessels: tuple[Residence, ...]
    grid: int = 2048

    def __post_init__(self) -> None:
        if not self.vessels:
            raise BadValue("A chain of vessels needs at least one vessel.")

    def mean_t(self) -> float:
        return float(sum(v.mean_t() for v in self.vessels))

    def sd_t(self) -> float:
        return float(np.sqrt(sum(v.sd_t() ** 2 for v in self.vessels)))

    def table(self) -> tuple[np.ndarray, np.ndarray]:
        """(tonnes, F) on an even grid from 0, shape (grid,) each."""
        tonnes = np.linspace(0.0, self.mean_t() + 8.0 * self.sd_t(), self.grid)
        total = np.asarray(self.vessels[0].cdf(tonnes))
        for vessel in self.vessels[1:]:
            # exact masses of the cells of one vessel against F of the other, half a cell centred
            mass = np.diff(np.concatenate([[0.0], np.asarray(vessel.cdf(tonnes + 0.5 * tonnes[1]))]))
            size = 2 * self.grid
            product = np.fft.irfft(np.fft.rfft(total, size) * np.fft.rfft(mass, size), size)
            # the transform's rounding must not make F fall
            total = np.maximum.accumulate(np.clip(product[: self.grid], 0.0, 1.0))
        return tonnes, total

    def cdf(self, tonnes: np.ndarray | float) -> np.ndarray:
        """F of the whole chain."""
        if len(self.vessels) == 1:
            return self.vessels[0].cdf(tonnes)
        grid_t, f = self.table()
        return np.interp(np.asarray(tonnes, dtype=float), grid_t, f, left=0.0, right=1.0)


@dataclass(frozen=True)
class MeasuredResidence:
    """A plant's own tracer run in place of the fitted form: the response at the exit to a pulse at the inlet.

    tonnes : float array, shape (N,), drawn since the pulse, increasing
    tracer : float array, shape (N,), tracer above its background, >= 0
    """

    tonnes: tuple[float, ...]
    tracer: tuple[float, ...]

    @classmethod
    def from_run(cls, tonnes: Sequence[float], tracer: Sequence[float]) -> MeasuredResidence:
        """Check and keep a tracer run. Raises BadValue when it cannot be a pulse response."""
        t, c = np.asarray(tonnes, dtype=float), np.asarray(tracer, dtype=float)
        if t.shape != c.shape or t.size < 3:
            raise BadValue("Tracer run: expected at least three rows of tonnes and tracer.")
        if not (np.isfinite(t).all() and (np.diff(t) > 0).all()):
            raise BadValue("Tracer run: expected tonnes that increase from row to row.")
        if not (np.isfinite(c).all() and (c >= 0).all() and c.max() > 0):
            raise BadValue("Tracer run: expected tracer readings of 0 or more, and some above 0.")
        return cls(tuple(t.tolist()), tuple(c.tolist()))

    def moments(self) -> tuple[float, float]:
        """(mean, variance) in tonnes and tonnes squared, by the trapezium rule."""
        t, c = np.array(self.tonnes), np.array(self.tracer)
        area = np.trapezoid(c, t)
        mean = np.trapezoid(t * c, t) / area
        return float(mean), float(np.trapezoid(t * t * c, t) / area - mean**2)

    def mean_t(self) -> float:
        return self.moments()[0]

    def sd_t(self) -> float:
        return float(np.sqrt(self.moments()[1]))

    def tanks(self) -> float:
        """Tanks in series of the same mean and variance: mean^2 / variance (Levenspiel, ch. 14)."""
        mean, variance = self.moments()
        return mean**2 / variance

    def cdf(self, tonnes: np.ndarray | float) -> np.ndarray:
        t, c = np.array(self.tonnes), np.array(self.tracer)
        area = np.concatenate([[0.0], np.cumsum(np.diff(t) * (c[1:] + c[:-1]) / 2)])
        return np.interp(np.asarray(tonnes, dtype=float), t, area / area[-1], left=0.0, right=1.0)
