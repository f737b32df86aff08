"""Episodes: the list, one of them drawn back to the furnace, its hold list, notices acknowledged by name."""

from collections.abc import Iterator

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user
from sqlalchemy import select

from models.clock import zone
from models.errors import BadValue
from models.hold_list import HeldSheet, HoldList, hold_list
from models.notices import acknowledge, open_notices
from models.records import Line
from models.sheet.looked_words import count_words
from models.trace.result import Episode
from models.tracing import Traced
from webapp.csv_files import csv_answer, plain_cell
from webapp.figures.sharpness_figure import draw_sharpness
from webapp.plant import db
from webapp.security import roles
from webapp.trace.blueprint import LEADS, bp, line_asked_for
from webapp.trace.episode_models import cards, episode_page, find_episode, usual_words
from webapp.trace.recent import recent_trace

SHEETS_SHOWN = 400


@bp.get("/episodes")
@roles(*LEADS)
def episodes() -> ResponseReturnValue:
    """What is more frequent than usual in the last weeks, and what is still to be acknowledged."""
    lines = db().scalars(select(Line).order_by(Line.name)).all()
    if not lines:
        return render_template("trace/no_line.html")
    line = line_asked_for(lines, request.args.get("line", ""))
    traced, problem = None, None
    try:
        traced = recent_trace(line.id)
    except BadValue as error:
        problem = str(error)
    return render_template(
        "trace/episodes.html",
        line=line,
        lines=lines,
        traced=traced,
        problem=problem,
        cards=() if traced is None else cards(traced),
        notices=open_notices(db(), line.id),
        usual_words=usual_words,
        sharpness=None if traced is None else draw_sharpness(traced.result.sharpness, zone(line.time_zone)),
    )


@bp.get("/episodes/<int:line_id>/<key>")
@roles(*LEADS)
def episode(line_id: int, key: str) -> ResponseReturnValue:
    """One episode: the rate, where and when it was made, what happened then, who else has it."""
    line, traced, found = _episode(line_id, key)
    held = _held(line, found)
    return render_template("trace/episode.html", page=episode_page(found, traced, line), held=held)


@bp.get("/episodes/<int:line_id>/<key>/hold")
@roles(*LEADS)
def hold(line_id: int, key: str) -> ResponseReturnValue:
    """The hold list for paper."""
    line, traced, found = _episode(line_id, key)
    held = _held(line, found)
    sheets = held.sheets
    if len(sheets) > SHEETS_SHOWN:
        sheets = tuple(sorted(sheets, key=lambda sheet: -sheet.here)[:SHEETS_SHOWN])
    page = episode_page(found, traced, line)
    return render_template("trace/hold.html", page=page, held=held, sheets=sheets, most=SHEETS_SHOWN)


@bp.get("/episodes/<int:line_id>/<key>/hold.csv")
@roles(*LEADS)
def hold_csv(line_id: int, key: str) -> ResponseReturnValue:
    """The hold list for a spreadsheet: every sheet, times in UTC."""
    line, _, found = _episode(line_id, key)
    held = _held(line, found)
    name = f"hold-list-{line.name}-{found.from_m:.0f}.csv"
    return csv_answer(name, (*_HOLD_HEAD, *_counted_head(held.kind)), _hold_rows(held))


@bp.post("/notices/<int:notice_id>/acknowledge")
@roles(*LEADS)
def acknowledge_notice(notice_id: int) -> ResponseReturnValue:
    """Put one's name and a note under a notice."""
    acknowledge(db(), notice_id, current_user.user_id, request.form.get("note", ""))
    db().commit()
    flash("Acknowledged with your name.", "done")
    return redirect(url_for("trace.episodes", line=request.form.get("line", "")), 303)


def _episode(line_id: int, key: str) -> tuple[Line, Traced, Episode]:
    lines = db().scalars(select(Line).order_by(Line.name)).all()
    line = line_asked_for(lines, str(line_id))
    traced = recent_trace(line.id)
    return line, traced, find_episode(traced, key)


def _held(line: Line, found: Episode) -> HoldList:
    return hold_list(db(), line.id, found.kind, found.from_m, found.to_m, found.x_lo_mm, found.x_hi_mm)


_HOLD_HEAD = (
    "sheet_id", "pack_id", "customer", "shipped", "destination", "state", "verdict", "ribbon_start_m",
    "cut_time",
)  # fmt: skip


def _counted_head(kind: str) -> tuple[str, ...]:
    return f"{kind}_in_band", "other_defects", "looked_fraction"


def _hold_rows(held: HoldList) -> Iterator[tuple[object, ...]]:
    for sheet in held.sheets:
        yield (
            plain_cell(sheet.label),
            plain_cell(sheet.pack or ""),
            plain_cell(sheet.customer or ""),
            "" if sheet.shipped_at is None else sheet.shipped_at.isoformat(),
            plain_cell(sheet.destination or ""),
            sheet.place,
            sheet.outcome or "",
            f"{sheet.ribbon_start_m:.3f}",
            sheet.cut_at.isoformat(),
            _counted(sheet.here, sheet),
            _counted(sheet.others, sheet),
            "unknown" if sheet.looked_fraction is None else f"{sheet.looked_fraction:.3f}",
        )


def _counted(count: int, sheet: HeldSheet) -> int | str:
    """A number of defects; in words where nobody looked at the sheet, or nobody knows."""
    return count if count or sheet.looked_fraction else count_words(count, sheet.looked_fraction)
