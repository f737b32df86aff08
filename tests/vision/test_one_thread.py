"""Products of matrices in pieces: the same numbers, and no other thread at work."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from vision.one_thread import product

INSPECT = """
import time
import numpy as np
from tests.vision.tag_photo import draw
from vision import PhotoSetup, inspect_photo

rng = np.random.default_rng(5)
photo = draw(rng, tilt_deg=5)
for x, y in rng.uniform((100, 100), (1100, 800), (400, 2)).astype(int):
    photo.grey[y : y + 3, x : x + 3] //= 2
data, setup = photo.png(), PhotoSetup.from_dict(photo.setup)
inspect_photo(data, setup, name="warm")
whole, mine = time.process_time(), time.thread_time()
result = inspect_photo(data, setup, name="measured")
whole, mine = time.process_time() - whole, time.thread_time() - mine
print(len(result.finds), whole / mine)
"""


@pytest.mark.parametrize(
    "shape", [(1, 5, 3), (7, 130, 96), (800, 130, 96), (2000, 2, 2000), (3, 90_000, 4), (700, 300, 1)]
)
def test_a_product_in_pieces_is_the_product(shape: tuple[int, int, int]) -> None:
    m, k, n = shape
    rng = np.random.default_rng(m)
    a, b = rng.normal(size=(m, k)), rng.normal(size=(k, n))
    assert np.allclose(product(a, b), a @ b, rtol=1e-9, atol=1e-9)
    assert product(a.astype(np.float32), b.astype(np.float32)).dtype == np.float32


def test_an_inspection_keeps_to_its_own_thread() -> None:
    """Processor time of the process and of the thread are the same (no time of a clock is asked)."""
    told = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", INSPECT], env=told, capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr
    finds, ratio = done.stdout.split()
    assert int(finds) > 200
    assert float(ratio) < 1.1
