"""An inspection stays on its own thread.

Several photos are inspected side by side, each on one core. `one_thread` holds OpenCV to it. The linear
algebra beneath numpy (and beneath OpenCV's own product) wakes a thread on every core for a large product, and
they spin on for a while; it leaves small ones to the caller's thread, so large ones are done in pieces.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# multiplications: OpenBLAS shares out a product of matrices from 262,144 on, one with a vector from 9,216 on
# (from memory; the tests ask the processor time)
MOST_AT_ONCE, MOST_WITH_VECTOR = 200_000, 9_000

Array = NDArray[Any]


def product(a: Array, b: Array) -> Array:
    """a @ b for two matrices, shapes (M, K) and (K, N)."""
    most = MOST_WITH_VECTOR if b.shape[1] == 1 else MOST_AT_ONCE
    rows = max(1, most // max(1, b.size))
    if len(a) <= rows:
        return np.asarray(a @ b)
    out = np.empty((len(a), b.shape[1]), np.result_type(a, b))
    for first in range(0, len(a), rows):
        np.matmul(a[first : first + rows], b, out=out[first : first + rows])
    return out


@contextmanager
def one_thread() -> Iterator[None]:
    """Run OpenCV on one thread: several photos are inspected side by side, and results stay the same."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)
