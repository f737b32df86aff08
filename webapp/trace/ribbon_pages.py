"""The ribbon and one defect of it."""

from flask import render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy import select

from models.clock import zone as zone_of
from models.defect_detail import defect_detail
from models.errors import BadValue
from models.records import Line
from webapp.figures.photo_figure import crop_round
from webapp.plant import db
from webapp.security import roles
from webapp.trace.blueprint import LEADS, bp, line_asked_for
from webapp.trace.forms import RibbonForm, read_form
from webapp.trace.view_models import ribbon_page


@bp.get("/ribbon")
@roles(*LEADS)
def ribbon_map() -> ResponseReturnValue:
    """The ribbon with its defects, the profile across and the rate by shift."""
    lines = db().scalars(select(Line).order_by(Line.name)).all()
    if not lines:
        return render_template("trace/no_line.html")
    problem = None
    line = line_asked_for(lines, request.args.get("line", ""))
    try:
        page = ribbon_page(db(), read_form(request.args, zone_of(line.time_zone)), line, lines)
    except BadValue as error:
        problem = str(error)
        page = ribbon_page(db(), RibbonForm(), line, lines)
    chosen = request.args.get("defect", "")
    detail = defect_detail(db(), int(chosen)) if chosen.isdecimal() and len(chosen) < 19 else None
    shown = render_template(
        "trace/ribbon.html", page=page, problem=problem, detail=detail, crop=crop_round(detail)
    )
    return shown, 400 if problem else 200


@bp.get("/defect/<int:defect_id>")
@roles(*LEADS)
def defect(defect_id: int) -> ResponseReturnValue:
    """One defect with its photo, its sheet and the times of its glass."""
    detail = defect_detail(db(), defect_id)
    return render_template("trace/defect.html", detail=detail, crop=crop_round(detail))


@bp.get("/defect/<int:defect_id>/panel")
@roles(*LEADS)
def defect_panel(defect_id: int) -> ResponseReturnValue:
    """The same as a piece of the ribbon page."""
    detail = defect_detail(db(), defect_id)
    return render_template("trace/_defect.html", detail=detail, crop=crop_round(detail))
