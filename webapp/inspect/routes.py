"""Lines, sheets and their pages: from taking the next sheet to finishing it."""

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from models import inspections
from webapp.inspect import acts, look_acts, setup_pages, upload  # noqa: F401  their routes belong to this blueprint
from webapp.inspect.answers import answer
from webapp.inspect.blueprint import bp, inspecting
from webapp.inspect.forms import whole
from webapp.inspect.lines import lines_page
from webapp.inspect.verdicts import verdict_words
from webapp.inspect.view_models import get_sheet, progress_of, sheet_state, sheet_view, words_for_forms
from webapp.plant import commit, current_book, db
from webapp.security import wants_json

__all__ = ["bp"]


@bp.get("/")
@inspecting
def lines() -> ResponseReturnValue:
    """The lines, the next sheet of each, and a field for a label."""
    return render_template("inspect/lines.html", title="Inspect", page=lines_page(db(), current_user.user_id))


@bp.post("/lines/<int:line_id>/next")
@inspecting
def take_next(line_id: int) -> ResponseReturnValue:
    """Take the next sheet in the ribbon's order."""
    sheet = inspections.take_next(db(), line_id, current_user.user_id, anew=True)
    commit()
    if sheet is None:
        flash("No sheet waits on this line.", "done")
        return redirect(url_for("inspect.lines"), 303)
    return redirect(url_for("inspect.sheet", sheet_id=sheet.id), 303)


@bp.post("/label")
@inspecting
def by_label() -> ResponseReturnValue:
    """Open the sheet with a typed or scanned label."""
    sheet = inspections.sheet_by_label(db(), request.form.get("label", ""))
    return redirect(url_for("inspect.sheet", sheet_id=sheet.id), 303)


@bp.get("/sheets/<int:sheet_id>")
@inspecting
def sheet(sheet_id: int) -> ResponseReturnValue:
    """The sheet: photos, finds, verdict."""
    view = sheet_view(
        db(),
        current_book(),
        sheet_id,
        photo_id=whole(request.args.get("photo")),
        selected=request.args.get("find"),
    )
    return render_template(
        "inspect/sheet.html", title=view.label, view=view, state=sheet_state(view), **words_for_forms()
    )


@bp.get("/sheets/<int:sheet_id>/state")
@inspecting
def state(sheet_id: int) -> ResponseReturnValue:
    """The sheet as the page's scripts take it."""
    return sheet_state(sheet_view(db(), current_book(), sheet_id))


@bp.get("/sheets/<int:sheet_id>/progress")
@inspecting
def progress(sheet_id: int) -> ResponseReturnValue:
    """How far the inspection of each photo is; asked for once a second."""
    return {"photos": progress_of(db(), sheet_id)}


@bp.post("/sheets/<int:sheet_id>/finish")
@inspecting
def finish(sheet_id: int) -> ResponseReturnValue:
    """Store the verdict and go on to the next sheet of the line."""
    verdict = inspections.finish_sheet(db(), current_book(), sheet_id, current_user.user_id)
    done = get_sheet(db(), sheet_id)
    following = inspections.take_next(db(), done.line_id, current_user.user_id, anew=True)
    commit()
    flash(
        f"{done.label}: {verdict_words(verdict.outcome, verdict.downgrade_to, current_book())} is stored.",
        "done",
    )
    if following is None:
        target = url_for("inspect.lines")
    else:
        target = url_for("inspect.sheet", sheet_id=following.id)
    return {"go": target} if wants_json() else redirect(target, 303)


@bp.post("/sheets/<int:sheet_id>/give-back")
@inspecting
def give_back(sheet_id: int) -> ResponseReturnValue:
    """Put the sheet back among those that wait."""
    sheet = inspections.give_back(db(), sheet_id, current_user.user_id)
    commit()
    flash(f"{sheet.label} waits again; what was done to it is kept.", "done")
    return redirect(url_for("inspect.lines"), 303)


@bp.post("/sheets/<int:sheet_id>/reopen")
@inspecting
def reopen(sheet_id: int) -> ResponseReturnValue:
    """Open a finished sheet again, with a reason."""
    sheet = inspections.reopen_sheet(db(), sheet_id, current_user.user_id, request.form.get("reason", ""))
    commit()
    return answer(sheet.id, "Open again: the verdict stands until you finish it anew.")
