"""The demo plant's tracer run: a rare oxide through melter and refiner, two months before the story."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
from sqlalchemy.orm import Session

from models.demo import scenario as s
from models.demo.defects import furnace
from models.records import TracerReading, TracerRun

DAYS_BEFORE, DAYS_AFTER = 63, 15
EVERY_H = 6
ADDED_KG = 40.0
LEVEL_PPM = 3.0
ERROR_PPM = 0.25


def add_tracer_run(session: Session, rng: np.random.Generator, line_id: int, start: datetime) -> None:
    """Six-hourly readings of the furnace that the story's glass runs through, with the laboratory's error."""
    introduced = (start - timedelta(days=DAYS_BEFORE)).replace(minute=0)
    run = TracerRun(
        line_id=line_id, run_id="TR-07", section="melter+refiner", method="pulse", introduced_at=introduced,
        sampled_at=None, unit="ppm", added_kg=ADDED_KG, final=None,
        note="One bag on a charge of batch, left side; samples from the edge trim, taken back to the"
        " bath inlet by the line log of those days.",
        valid_from=introduced, in_use=True, tonnes_from="file",
        recorded_at=introduced + timedelta(days=DAYS_AFTER),
    )  # fmt: skip
    session.add(run)
    session.flush()
    hours = np.arange(-24.0, DAYS_AFTER * 24.0, EVERY_H)
    tonnes = np.round(hours / 24.0 * s.PULL_T_PER_DAY, 1)
    chain = furnace()
    density = (chain.cdf(tonnes + 1.0) - chain.cdf(tonnes - 1.0)) / 2.0
    ppm = LEVEL_PPM + ADDED_KG * 1000.0 * density + ERROR_PPM * rng.standard_normal(tonnes.size)
    session.add_all(
        TracerReading(
            tracer_run_id=run.id, sampled_at=introduced + timedelta(hours=hour), tonnes=t, tracer=round(c, 2)
        )
        for hour, t, c in zip(hours.tolist(), tonnes.tolist(), ppm.tolist(), strict=True)
    )
    session.flush()
