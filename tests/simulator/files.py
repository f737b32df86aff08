"""The invented line as plant files."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from tests.simulator.defects import SimDefects
from tests.simulator.line import OFFSET_H, SimLine

ZONE = timezone(timedelta(hours=OFFSET_H))


def iso(time_s: float) -> str:
    return datetime.fromtimestamp(round(time_s), UTC).astimezone(ZONE).isoformat()


def write_files(
    folder: Path, line: SimLine, made: SimDefects, rng: np.random.Generator, *, looked: bool = False
) -> dict[str, Path]:
    """Write all plant files; returns kind -> path. looked : sheets say whether somebody looked at them."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = {"plant": folder / "plant.json"}
    paths["plant"].write_text(json.dumps(line.figures.as_json()), encoding="utf-8")
    f = line.figures
    where = "distance_m_upstream_of_inspection"
    paths["layout"] = _table(folder, "layout", ("point", where), line.layout.upstream_m.items())
    paths["rolls"] = _table(
        folder,
        "rolls",
        ("name", "diameter_mm", where),
        ((r.name, r.diameter_mm, r.upstream_m) for r in line.rolls),
    )
    paths["line-log"] = _table(
        folder, "line-log",
        ("time", "ribbon_speed_m_per_min", "gross_width_mm", "net_width_mm", "thickness_mm",
         "pull_t_per_day"),
        ((iso(t), f"{v:.5f}", f.gross_mm, f.net_mm, h, f"{p:.2f}") for t, v, h, p in
         zip(line.log_times, line.log_speed, line.log_thickness, line.log_pull, strict=True)),
    )  # fmt: skip
    paths["furnace-log"] = _table(
        folder, "furnace-log", ("time", "tag", "value", "unit"),
        ((iso(t), "crown_temperature", f"{v:.1f}", "degC") for t, v in
         zip(line.log_times[::6], 1580 + rng.normal(0, 2, line.log_times[::6].size), strict=True)),
    )  # fmt: skip
    quarter = [
        (i, iso(round(s / 900) * 900), "" if e is None else iso(round(e / 900) * 900), k, "")
        for i, s, e, k in made.events
    ]
    paths["events"] = _table(folder, "events", ("event_id", "start", "end", "kind", "text"), quarter)
    trim = (f.gross_mm - f.net_mm) / 2
    cut = line.stamped(line.log.time_at(line.sheet_start_m - line.layout.upstream_m["cutter"]))
    paths["sheets"] = _table(
        folder, "sheets",
        ("sheet_id", "cut_time", "ribbon_start_m", "x_left_mm", "length_mm", "width_mm", "thickness_mm",
         "pack_id"),
        ((f"S{n:07d}", iso(t), f"{m:.3f}", trim, size, f.net_mm, h, f"P{n // 20:05d}" if n % 97 else "")
         for n, (t, m, size, h) in enumerate(
             zip(cut, line.sheet_start_m, line.sheet_length_mm, line.sheet_thickness, strict=True))),
    )  # fmt: skip
    if looked:
        rows = paths["sheets"].read_text(encoding="utf-8").splitlines()
        tails = ["looked_at", *("yes" if seen else "no" for seen in line.inspected)]
        text = "".join(f"{row},{tail}\n" for row, tail in zip(rows, tails, strict=True))
        paths["sheets"].write_text(text, encoding="utf-8")
    seen = line.stamped(line.log.time_at(made.ribbon_m))
    size = 0.3 + rng.exponential(0.4, made.ribbon_m.size)
    y = (made.ribbon_m - line.sheet_start_m[made.sheet]) * 1000
    paths["defects"] = _table(
        folder, "defects", ("sheet_id", "kind", "x_mm", "y_mm", "length_mm", "width_mm", "found_time"),
        ((f"S{s:07d}", made.kinds[k], f"{x - trim:.1f}", f"{yy:.1f}", f"{z:.2f}", f"{z * 0.7:.2f}", iso(t))
         for s, k, x, yy, z, t in zip(made.sheet, made.kind, made.ribbon_x, y, size, seen, strict=True)),
    )  # fmt: skip
    return paths


def _table(folder: Path, name: str, header: tuple[str, ...], rows: Iterable[object]) -> Path:
    path = folder / f"{name}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(rows)  # type: ignore[arg-type]
    return path
