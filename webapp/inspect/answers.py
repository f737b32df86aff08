"""How an act on a sheet is answered: scripts get the sheet's new state, forms go back to the page."""

from flask import flash, redirect, url_for
from flask.typing import ResponseReturnValue

from webapp.inspect.view_models import sheet_state, sheet_view
from webapp.plant import current_book, db
from webapp.security import wants_json


def answer(sheet_id: int, said: str, *, selected: str | None = None) -> ResponseReturnValue:
    """The answer to an act that has been committed; `said` is what happened, in a sentence."""
    if wants_json():
        view = sheet_view(db(), current_book(), sheet_id, selected=selected)
        return {**sheet_state(view), "said": said}
    if said:
        flash(said, "done")
    return redirect(url_for("inspect.sheet", sheet_id=sheet_id, find=selected), 303)
