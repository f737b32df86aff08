"""How long glass stays in a vessel: plug flow followed by stirred tanks in series.

Danckwerts (1953) for the distribution, MacMullin and Weber (1935) for tanks in series, Levenspiel,
Chemical Reaction Engineering, 3rd ed., ch. 14 for a real number of tanks (a gamma distribution).

Everything is a function of cumulative tonnes drawn, not of hours: when the pull changes, a vessel of
constant mass keeps its distribution in tonnes while hours stretch or shrink. With a steady pull P the
mean stay is mass / P.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

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


class Vessel(Protocol):
    """What a chain asks of a vessel, all in tonnes drawn."""

    def mean_t(self) -> float: ...
    def sd_t(self) -> float: ...
    def cdf(self, tonnes: np.ndarray | float) -> np.ndarray: ...


@dataclass(frozen=True)
class VesselChain:
    """Vessels, fitted or measured, one after the other under one pull (melter, then refiner).

    Their distributions are convolved.
    `cdf` is computed on a grid of `grid` equal steps to six standard deviations beyond the mean and
    interpolated; for one vessel the closed form is used.
    """

    vessels: tuple[Vessel, ...]
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


@dataclass(frozen=True, eq=False)
class MeasuredResidence:
    """A distribution as a tracer run gave it, in place of the fitted form (see `tracer`).

    tonnes : float array, shape (N,), drawn since the glass entered, increasing from 0
    share : F there, shape (N,), from 0 to 1; straight between the knots
    """

    tonnes: np.ndarray
    share: np.ndarray

    def __post_init__(self) -> None:
        t, f = self.tonnes, self.share
        if t.ndim != 1 or t.shape != f.shape or t.size < 3 or not (np.diff(t) > 0).all() or t[0] < 0:
            raise BadValue("Measured residence: expected three or more tonnes that increase from 0.")
        if (np.diff(f) < 0).any() or abs(f[0]) > 1e-9 or abs(f[-1] - 1.0) > 1e-9:
            raise BadValue("Measured residence: expected shares that rise from 0 to 1.")

    def mean_t(self) -> float:
        return float(np.sum(np.diff(self.share) * 0.5 * (self.tonnes[1:] + self.tonnes[:-1])))

    def sd_t(self) -> float:
        a, b = self.tonnes[:-1], self.tonnes[1:]
        square = np.sum(np.diff(self.share) * (a * a + a * b + b * b) / 3.0)
        return float(np.sqrt(max(square - self.mean_t() ** 2, 0.0)))

    def cdf(self, tonnes: np.ndarray | float) -> np.ndarray:
        """F: share of the glass that has left after `tonnes` drawn since it entered."""
        return np.interp(np.asarray(tonnes, dtype=float), self.tonnes, self.share, left=0.0, right=1.0)

    def quantile(self, probability: np.ndarray | float) -> np.ndarray:
        """Tonnes drawn by which the share `probability` has left."""
        rising = np.concatenate([[True], np.diff(self.share) > 0])
        return np.interp(np.asarray(probability, dtype=float), self.share[rising], self.tonnes[rising])
