"""The plant's figures, a JSON object."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.clock import parse_time, utc_now, zone
from models.errors import BadValue
from models.imports.rows import Tally
from models.records import Line, PlantFigures

REQUIRED = (
    "melter_mass_t", "melter_plug_fraction", "melter_tanks_in_series",
    "refiner_mass_t", "refiner_plug_fraction", "refiner_tanks_in_series",
    "density_t_per_m3", "gross_width_mm", "net_width_mm",
)  # fmt: skip
OPTIONAL = (
    "melter_mass_rel_tolerance", "melter_plug_tolerance", "melter_tanks_low", "melter_tanks_high",
    "refiner_mass_rel_tolerance",
)  # fmt: skip
WORDS = ("valid_from", "plant", "time_zone")
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)


def take_plant(
    session: Session, line: Line, path: Path, tally: Tally, progress: Callable[[str, int], None]
) -> None:
    """One object is one row. The first figures of a line hold from the beginning, later ones from now on
    (or from `valid_from`)."""
    given = _read(path)
    tally.read = 1
    unknown = [key for key in given if key not in (*REQUIRED, *OPTIONAL, *WORDS)]
    if unknown:
        tally.warnings.append(f"{path.name}: unknown field kept aside: {', '.join(unknown)}")
    try:
        values = {key: _number(given, key) for key in REQUIRED}
        values |= {key: _number(given, key) for key in OPTIONAL if given.get(key) is not None}
        _check(values)
        valid_from = None
        if given.get("valid_from") is not None:
            valid_from = parse_time(str(given["valid_from"]), where="valid_from")
        if given.get("time_zone") is not None:
            zone(str(given["time_zone"]))
            line.time_zone = str(given["time_zone"])
        if given.get("plant") is not None:
            line.plant = str(given["plant"])[:200]
    except BadValue as error:
        tally.refuse(1, str(error))
        return
    known = list(
        session.scalars(
            select(PlantFigures).where(PlantFigures.line_id == line.id).order_by(PlantFigures.valid_from)
        )
    )
    full: dict[str, float | None] = {key: values.get(key) for key in (*REQUIRED, *OPTIONAL)}
    for row in known if valid_from is not None else known[-1:]:
        if (valid_from is None or row.valid_from == valid_from) and all(
            getattr(row, key) == value for key, value in full.items()
        ):
            tally.same = 1
            return
    start = valid_from or (utc_now() if known else EARLIEST)
    if any(row.valid_from == start for row in known):
        tally.refuse(
            1, f"other figures are in the books from {start.isoformat()}; expected another valid_from"
        )
        return
    session.add(PlantFigures(line_id=line.id, valid_from=start, recorded_at=utc_now(), **full))
    tally.added = 1
    progress("plant", 1)


def _read(path: Path) -> dict[str, object]:
    try:
        given = json.loads(path.read_text(encoding="utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise BadValue(f"{path.name}: cannot be read as JSON in UTF-8 ({error})") from None
    if not isinstance(given, dict):
        raise BadValue(f"{path.name}: holds no JSON object; expected one with {', '.join(REQUIRED[:3])}, ...")
    return given


def _number(given: dict[str, object], key: str) -> float:
    value = given.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BadValue(f"{key} is {value!r}; expected a number")
    return float(value)


def _check(values: dict[str, float]) -> None:
    for key, value in values.items():
        fraction = "plug" in key or key.endswith("tolerance")
        if fraction and not 0 <= value < 1:
            raise BadValue(f"{key} is {value:g}; expected 0 or more and below 1")
        if not fraction and value <= 0:
            raise BadValue(f"{key} is {value:g}; expected more than 0")
        if "tanks" in key and value < 0.5:
            raise BadValue(f"{key} is {value:g}; expected 0.5 or more")
    low, high = values.get("melter_tanks_low"), values.get("melter_tanks_high")
    if low is not None and high is not None and low > high:
        raise BadValue(f"melter_tanks_low is {low:g}, above melter_tanks_high {high:g}")
