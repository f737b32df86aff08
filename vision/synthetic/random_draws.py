"""Numbers and names drawn at random, for domain parameters and for single things within a domain."""

from __future__ import annotations

import numpy as np


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def near(rng: np.random.Generator, value: float, spread: float) -> float:
    """A number around `value`, `spread` being the sd of its logarithm."""
    return float(value * np.exp(spread * rng.normal()))


def some(rng: np.random.Generator, names: tuple[str, ...], most: int = 3) -> tuple[str, ...]:
    """One to `most` different names of a list: the looks that one domain knows."""
    count = int(rng.integers(1, min(most, len(names)) + 1))
    return tuple(str(v) for v in rng.permutation(names)[:count])
