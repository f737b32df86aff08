"""Addresses of the claims desk: find a sheet, its history."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from models.clock import zone
from models.errors import BadValue
from models.find_sheet import SheetSearch, find_sheets
from models.history import sheet_history, sheet_id_of
from models.notices import notices_of_glass
from webapp.claims.view_models import history_page
from webapp.figures.words import CONTEXT
from webapp.plant import current_book, current_plant, db
from webapp.security import roles

bp = Blueprint("claims", __name__, url_prefix="/sheets")


@bp.context_processor
def words() -> dict[str, object]:
    """What the templates of this part may use."""
    return dict(CONTEXT)


@bp.get("/")
@roles()
def find() -> ResponseReturnValue:
    """Find sheets by label, pack or customer and by the day they were cut."""
    text = request.args.get("q", "").strip()[:200]
    asked = {name: request.args.get(name, "").strip() for name in ("from", "to")}
    problem = None
    found: SheetSearch | None = None
    try:
        plant_zone = zone(current_plant().time_zone)
        cut_from, cut_to = _day(asked["from"], plant_zone), _day(asked["to"], plant_zone, days=1)
        if text or cut_from or cut_to:
            before = request.args.get("before", "")
            before_id = int(before) if before.isdecimal() and len(before) < 19 else None
            found = find_sheets(db(), text, cut_from=cut_from, cut_to=cut_to, before_id=before_id)
    except BadValue as error:
        problem = str(error)
    if found is not None and found.exact:
        return redirect(url_for("claims.history", sheet_id=found.sheets[0].sheet_id))
    shown = render_template("claims/find.html", text=text, asked=asked, found=found, problem=problem)
    return shown, 400 if problem else 200


@bp.get("/<int:sheet_id>")
@roles()
def history(sheet_id: int) -> ResponseReturnValue:
    """All that is on record about one sheet."""
    told = sheet_history(db(), sheet_id, current_plant().book)
    sheet = told.sheet
    notices = notices_of_glass(
        db(),
        sheet.line_id,
        sheet.ribbon_start_m,
        sheet.ribbon_end_m,
        sheet.x_left_mm,
        sheet.x_left_mm + sheet.width_mm,
    )
    page = history_page(told, current_book(), notices)
    return render_template("claims/history.html", page=page)


@bp.get("/label/<label>")
@roles()
def by_label(label: str) -> ResponseReturnValue:
    """The history of the sheet with this label, for scanners and links from other systems."""
    return redirect(url_for("claims.history", sheet_id=sheet_id_of(db(), label)))


def _day(text: str, plant_zone: ZoneInfo, days: int = 0) -> datetime | None:
    """Midnight of a day on the plant's clock, `days` later. Raises BadValue for anything but a day."""
    if not text:
        return None
    try:
        day = datetime.fromisoformat(text).date() + timedelta(days=days)
        return datetime.combine(day, time(), plant_zone).astimezone(UTC)
    except (ValueError, OverflowError):
        msg = f"day {text[:40]!r} cannot be read; expected for example 2026-03-02"
        raise BadValue(msg) from None
