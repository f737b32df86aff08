"""Import one plant file: check every row, then write all of them in one transaction, or none."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session, sessionmaker

from models import audit
from models.clock import utc_now
from models.database import writing
from models.errors import BadValue
from models.imports import books, defects, figures, logs, packs, sheets, tracer
from models.imports.lines import line_for
from models.imports.rows import Refusal, Tally
from models.records import ImportRun

#: kind of file -> what reads it, in the order in which they build on each other
READERS: dict[str, Callable[..., None]] = {
    "plant": figures.take_plant,
    "layout": books.take_layout,
    "rolls": books.take_rolls,
    "line-log": logs.take_line_log,
    "furnace-log": logs.take_furnace_log,
    "tracer": tracer.take_tracer,
    "events": books.take_events,
    "sheets": sheets.take_sheets,
    "packs": packs.take_packs,
    "defects": defects.take_defects,
}
KINDS = tuple(READERS)
#: kinds that are about the plant as a whole, so that no line has to be named
OF_NO_LINE = ("packs",)
Progress = Callable[[str, int], None]


@dataclass(frozen=True)
class Report:
    """What an import did. `refused` has the first refused rows, `refused_count` how many there were.

    `line` is empty for a file that is about the plant as a whole.
    """

    kind: str
    file: str
    line: str
    read: int
    added: int
    same: int
    changed: int
    refused: tuple[Refusal, ...]
    refused_count: int
    warnings: tuple[str, ...]

    def says(self) -> str:
        """One sentence."""
        parts = [f"{self.added} added"]
        if self.changed:
            parts.append(f"{self.changed} brought up to date")
        if self.same:
            parts.append(f"{self.same} there already")
        if self.refused_count:
            parts.append(f"{self.refused_count} refused")
        of = f" for line {self.line}" if self.line else ""
        return f"{self.file}: {self.read} rows of {self.kind}{of}: {', '.join(parts)}."


class _DryRun(Exception):  # noqa: N818  it carries no fault: it undoes the transaction
    """Bad rows were met: the transaction is undone."""


def import_file(
    sessions: sessionmaker[Session],
    kind: str,
    path: Path,
    *,
    line: str | None = None,
    time_zone: str | None = None,
    skip_bad: bool = False,
    user_id: int | None = None,
    progress: Progress | None = None,
    origin: str | None = None,
    skip_word: str = "--skip-bad",
) -> Report:
    """Bring one file into the books.

    line : name of the line; None: the only one, or a first one that is made
    skip_bad : let the good rows in where some are bad; else one bad row keeps all out
    progress : called with the kind and the rows done, now and then
    origin : from where the act comes, for the chain; skip_word : what lets the good rows in, for the sentence

    Raises BadValue for a file that cannot be read, for bad rows without `skip_bad`, for an unknown line.
    """
    if kind not in READERS:
        raise BadValue(f"{kind!r} is no kind of plant file; expected one of {', '.join(KINDS)}")
    if not path.is_file():
        raise BadValue(f"{path}: there is no such file")
    digest = _sha256(path)
    tally = Tally()
    try:
        with writing(sessions) as session:
            if origin is not None:
                audit.set_origin(session, origin)
            of_no_line = kind in OF_NO_LINE and line is None and time_zone is None
            the_line = None if of_no_line else line_for(session, line, time_zone)
            READERS[kind](session, the_line, path, tally, progress or (lambda _kind, _rows: None))
            if tally.refused_count and not skip_bad:
                raise _DryRun
            if _sha256(path) != digest:
                raise BadValue(f"{path.name}: was written to while it was read; expected a finished file")
            _note(session, kind, path, digest, tally, user_id)
            name = "" if the_line is None else the_line.name
    except _DryRun:
        raise BadValue(refusal_text(path.name, tally, skip_word)) from None
    return Report(
        kind, path.name, name, tally.read, tally.added, tally.same, tally.changed, tuple(tally.refused),
        tally.refused_count, tuple(tally.warnings),
    )  # fmt: skip


def refusal_text(name: str, tally: Tally, skip_word: str) -> str:
    first = tally.refused[0]
    more = tally.refused_count - 1
    others = f" (and {more} more bad row{'s' if more > 1 else ''})" if more else ""
    return f"{name}, {first}{others}; nothing was imported, {skip_word} lets the good rows in"


def _note(session: Session, kind: str, path: Path, digest: str, tally: Tally, user_id: int | None) -> None:
    """The import's own row, and its entry in the chain where it changed something."""
    told = [*tally.warnings, *(str(r) for r in tally.refused)]
    run = ImportRun(
        at=utc_now(), kind=kind, file_name=path.name[:200], sha256=digest, rows_read=tally.read,
        rows_added=tally.added + tally.changed, rows_same=tally.same, rows_refused=tally.refused_count,
        message="\n".join(told) or None, user_id=user_id,
    )  # fmt: skip
    session.add(run)
    session.flush()
    if tally.added or tally.changed:
        audit.append(
            session, "import", "import_run", run.id, user_id=user_id,
            details={"kind": kind, "file": path.name, "sha256": digest, "added": tally.added,
                     "changed": tally.changed, "refused": tally.refused_count},
        )  # fmt: skip


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
