"""The list of sheets whose verdict would now differ, as a page and as a file."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from flask import Response, render_template, request
from flask.typing import ResponseReturnValue

from models.changed_verdicts import Changed, all_changes, changes_page
from models.clock import utc_now
from models.database import reading
from models.errors import BadValue
from webapp.csv_files import csv_answer, plain_cell
from webapp.figures.story import said_words
from webapp.grades.blueprint import LEADS, bp
from webapp.plant import Plant, current_plant, db
from webapp.security import roles

DAYS, MOST_DAYS = 30, 3660
_HEAD = (
    "sheet_id", "place", "pack_id", "customer", "shipped", "verdict_given", "verdict_before", "verdict_now",
    "first_reason",
)  # fmt: skip


@bp.get("/changed")
@roles(*LEADS)
def changed() -> ResponseReturnValue:
    """Sheets whose verdict would now differ, shipped ones first, as far as some seconds reach."""
    days = days_asked_for(request.args.get("days", ""))
    page = changes_page(
        db(),
        current_plant().book,
        since=utc_now() - timedelta(days=days),
        go_on=request.args.get("at", ""),
    )
    return render_template("grades/changed.html", page=page, days=days, begun=bool(request.args.get("at")))


@bp.get("/changed.csv")
@roles(*LEADS)
def changed_csv() -> Response:
    """The whole list for a spreadsheet, times in UTC."""
    days = days_asked_for(request.args.get("days", ""))
    rows = _rows(current_plant(), utc_now() - timedelta(days=days))
    return csv_answer(f"verdicts-that-would-differ-{days}-days.csv", _HEAD, rows)


def days_asked_for(text: str) -> int:
    """A number of days. Raises BadValue for anything but 1 to MOST_DAYS."""
    if not text:
        return DAYS
    if text.isdecimal() and len(text) < 6 and 1 <= int(text) <= MOST_DAYS:
        return int(text)
    msg = f"days: {text[:40]!r} cannot be used; expected a whole number from 1 to {MOST_DAYS}"
    raise BadValue(msg)


def _rows(plant: Plant, since: datetime) -> Iterator[tuple[object, ...]]:
    with reading(plant.sessions) as session:
        for changed in all_changes(session, plant.book, since=since):
            yield _row(changed)


def _row(one: Changed) -> tuple[object, ...]:
    now = "cannot be judged again"
    if one.after is not None and one.after_grade is not None:
        now = said_words(one.after, one.after_grade, one.after_downgrade)
    return (
        plain_cell(one.label),
        one.place,
        plain_cell(one.pack or ""),
        plain_cell(one.customer or ""),
        "" if one.shipped_at is None else one.shipped_at.isoformat(),
        one.decided_at.isoformat(),
        plain_cell(said_words(one.before, one.before_grade, one.before_downgrade)),
        plain_cell(now),
        plain_cell(one.reason),
    )
