"""Sheets that were cut, as the line's own computer lists them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.imports.rows import CsvFile, Row, RowRefused, Tally
from models.records import Line, Pack, Sheet

CHUNK = 10_000
ASK_AT_ONCE = 900  # SQLite's safe number of values in one question
COLUMNS = ("sheet_id", "cut_time", "ribbon_start_m", "x_left_mm", "length_mm", "width_mm", "thickness_mm")
COMPARED = ("cut_at", "ribbon_start_m", "x_left_mm", "length_mm", "width_mm", "thickness_mm")
Progress = Callable[[str, int], None]


def take_sheets(session: Session, line: Line, path: Path, tally: Tally, progress: Progress) -> None:
    """Sheets count as inspected elsewhere ("recorded"); an empty pack may be filled by a later file."""
    file = CsvFile(path, COLUMNS, ("pack_id",))
    if (warning := file.warning()) is not None:
        tally.warnings.append(warning)
    packs = {label: number for label, number in session.execute(select(Pack.label, Pack.id))}  # noqa: C416
    names = {number: label for label, number in packs.items()}
    chunk: list[tuple[int, dict[str, Any], str]] = []
    for row in file.rows(tally):
        try:
            chunk.append((row.line, _read(row), row.text_or_empty("pack_id", 200)))
        except RowRefused as error:
            tally.refuse(row.line, str(error))
        if len(chunk) >= CHUNK:
            _store(session, line, chunk, packs, names, tally)
            progress("sheets", tally.read)
            chunk = []
    _store(session, line, chunk, packs, names, tally)
    progress("sheets", tally.read)


def _read(row: Row) -> dict[str, Any]:
    return {
        "label": row.text("sheet_id"),
        "cut_at": row.time("cut_time"),
        "ribbon_start_m": row.number("ribbon_start_m"),
        "x_left_mm": row.number("x_left_mm", low=-1000.0, high=20_000.0),
        "length_mm": row.number("length_mm", low=0.0, high=50_000.0, above=True),
        "width_mm": row.number("width_mm", low=0.0, high=20_000.0, above=True),
        "thickness_mm": row.number("thickness_mm", low=0.0, high=100.0, above=True),
    }


def _store(
    session: Session, line: Line, chunk: list[tuple[int, dict[str, Any], str]], packs: dict[str, int],
    names: dict[int, str], tally: Tally,
) -> None:  # fmt: skip
    if not chunk:
        return
    known = _known(session, [values["label"] for _, values, _ in chunk])
    fresh: dict[str, dict[str, Any]] = {}
    filled: list[tuple[int, int]] = []
    for number, values, pack in chunk:
        label = values["label"]
        if label in fresh:
            again = fresh[label]
            same = all(again[c] == values[c] for c in COMPARED) and again["pack_id"] == packs.get(pack)
            if same:
                tally.same += 1
            else:
                tally.refuse(number, f"sheet_id {label!r} stands in this file before, with other values")
            continue
        there = known.get(label)
        if there is None:
            fresh[label] = {
                **values, "line_id": line.id, "state": "recorded",
                "pack_id": _pack(session, pack, packs, names) if pack else None,
            }  # fmt: skip
            continue
        sheet_id, line_id, pack_id, stored = there
        told = next((c for c, v in zip(COMPARED, stored, strict=True) if values[c] != v), None)
        if line_id != line.id:
            tally.refuse(number, f"sheet_id {label!r} is in the books for another line")
        elif told is not None:
            was = stored[COMPARED.index(told)]
            tally.refuse(number, f"sheet_id {label!r}: {told} is {values[told]} but {was} is in the books")
        elif pack and pack_id is None:
            filled.append((sheet_id, _pack(session, pack, packs, names)))
            tally.changed += 1
        elif pack and pack_id is not None and names.get(pack_id) != pack:
            tally.refuse(
                number, f"sheet_id {label!r}: pack_id is {pack!r} but {names.get(pack_id)!r} is in the books"
            )
        else:
            tally.same += 1
    if fresh:
        session.execute(insert(Sheet), list(fresh.values()))
        tally.added += len(fresh)
    for sheet_id, pack_id in filled:
        session.execute(update(Sheet).where(Sheet.id == sheet_id).values(pack_id=pack_id))


def _known(session: Session, labels: list[str]) -> dict[str, tuple[int, int, int | None, tuple[Any, ...]]]:
    found = {}
    for start in range(0, len(labels), ASK_AT_ONCE):
        query = select(
            Sheet.label, Sheet.id, Sheet.line_id, Sheet.pack_id, *(getattr(Sheet, c) for c in COMPARED)
        ).where(Sheet.label.in_(labels[start : start + ASK_AT_ONCE]))
        for label, sheet_id, line_id, pack_id, *rest in session.execute(query):
            found[label] = (sheet_id, line_id, pack_id, tuple(rest))
    return found


def _pack(session: Session, label: str, packs: dict[str, int], names: dict[int, str]) -> int:
    """The pack of this label, made where there is none yet."""
    if label not in packs:
        pack = Pack(label=label, use="stock", created_at=utc_now())
        session.add(pack)
        session.flush()
        packs[label] = pack.id
        names[pack.id] = label
    return packs[label]
