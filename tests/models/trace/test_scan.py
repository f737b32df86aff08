"""The scan on counts of pure chance; the published values stand in tests/published."""

import numpy as np

from models.trace.scan import scan


def test_p_values_hold_under_chance():
    """Own simulation. In 120 grids of pure chance at most a few reach p 0.05 over all boxes."""
    rng = np.random.default_rng(11)
    hits = 0
    for _ in range(120):
        counts = rng.poisson(0.4, (96, 32)).astype(float)
        boxes, _ = scan(counts, np.ones_like(counts), limit_log_p=np.log(0.05))
        hits += bool(boxes)
    assert hits <= 6
