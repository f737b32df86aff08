"""The photo set-ups that a booth has saved."""

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from models import setups as saved_setups
from models.errors import BadValue, NoSuchRecord
from models.records import Line
from webapp import bridge
from webapp.inspect.blueprint import bp, inspecting
from webapp.inspect.setup_form import TAG_ROWS, setup_from_fields
from webapp.plant import commit, db
from webapp.security import roles

keeping = roles("quality_lead", "administrator")


@bp.get("/lines/<int:line_id>/set-ups")
@inspecting
def setups(line_id: int) -> ResponseReturnValue:
    """The set-ups of this line's booth."""
    line = _line(line_id)
    rows = [(saved, bridge.setup_words(saved.setup)) for saved in saved_setups.list_setups(db(), line_id)]
    return render_template(
        "inspect/setups.html",
        title=f"Photo set-ups, line {line.name}",
        line=line,
        rows=rows,
        tag_rows=TAG_ROWS,
    )


@bp.post("/lines/<int:line_id>/set-ups")
@keeping
def save_setup(line_id: int) -> ResponseReturnValue:
    """Save a set-up from a set-up file or from the fields."""
    line = _line(line_id)
    file = request.files.get("setup_file")
    if file is not None and file.filename:
        content = bridge.read_setup_file(file.stream.read(1_000_001), file.filename)
    elif request.form.get("lighting"):
        content = bridge.check_setup(setup_from_fields(request.form), "set-up")
    else:
        raise BadValue("no set-up file was chosen; nothing was saved")
    saved = saved_setups.save_setup(
        db(),
        line.id,
        request.form.get("name", ""),
        content,
        first_choice=request.form.get("first_choice") is not None,
        user_id=current_user.user_id,
    )
    commit()
    flash(f"Saved: {saved.name}.", "done")
    return redirect(url_for("inspect.setups", line_id=line.id), 303)


@bp.post("/set-ups/<int:setup_id>/retire")
@keeping
def retire_setup(setup_id: int) -> ResponseReturnValue:
    """Stop offering a set-up."""
    saved = saved_setups.saved_setup(db(), setup_id)
    saved_setups.retire_setup(db(), setup_id, user_id=current_user.user_id)
    commit()
    flash(f"No longer offered: {saved.name}.", "done")
    return redirect(url_for("inspect.setups", line_id=saved.line_id), 303)


def _line(line_id: int) -> Line:
    line = db().get(Line, line_id)
    if line is None:
        msg = f"line {line_id}: there is no such line"
        raise NoSuchRecord(msg)
    return line
