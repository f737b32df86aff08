"""Overlaps, repeats, cut ends, gaps and clock steps: each case on two lines of known truth."""

import numpy as np
import pytest

from models.trace import trace
from tests.models.trace.test_trace import reported
from tests.simulator.as_input import as_input
from tests.simulator.awkward import CASES, awkward
from tests.simulator.line import build_line
from tests.simulator.score import Score


@pytest.mark.parametrize("case", CASES)
def test_awkward_cases_are_found_whole_and_once(case):
    score = Score([])
    for seed in (711, 712):
        rng = np.random.default_rng(seed)
        line = build_line(rng, 16, clock_step=False)
        made = awkward(rng, line, case)
        score.add(made.truths, reported(trace(as_input(line, made))), 16)
    missed = sum(not row["found"] for row in score.rows)
    assert missed <= 1
    assert missed < len(score.rows)
    assert score.false <= 1
    assert score.share("section_right") == 1.0
