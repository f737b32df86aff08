"""Acts of the inspector that say what was looked at, and whether two finds are one defect."""

from flask import request
from flask.typing import ResponseReturnValue
from flask_login import current_user

from models import inspections
from models.errors import BadValue
from models.records import Find, Look
from models.sheet.looked import LookStatement
from models.sheet.tiles import tile_grid
from webapp.inspect import forms
from webapp.inspect.answers import answer
from webapp.inspect.blueprint import bp, inspecting
from webapp.inspect.view_models import get_sheet
from webapp.plant import commit, db


@bp.post("/sheets/<int:sheet_id>/looks")
@inspecting
def add_look(sheet_id: int) -> ResponseReturnValue:
    """The sheet, or some of its tiles, was looked over by eye."""
    sheet = get_sheet(db(), sheet_id)
    wanted = request.form.getlist("tile")
    tiles = dict(tile_grid(sheet.width_mm, sheet.length_mm)[2])
    unknown = [name for name in wanted if name not in tiles]
    if unknown:
        msg = f"tile {unknown[0][:20]!r}: this sheet has no such tile; expected one of {', '.join(tiles)}"
        raise BadValue(msg)
    metres = forms.number(request.form, "distance_m", "distance")
    look = LookStatement(
        way="eye",
        parts_mm=tuple(tiles[name] for name in wanted) or None,
        lighting=request.form.get("lighting") or None,
        distance_mm=None if metres is None else 1000 * metres,
        smallest_mm=forms.number(request.form, "smallest_mm", "smallest size seen"),
    )
    inspections.add_look(db(), sheet_id, current_user.user_id, look)
    commit()
    what = f"tiles {', '.join(wanted)}" if wanted else "the whole sheet"
    return answer(sheet_id, f"Stored: {what} looked over by eye.")


@bp.post("/looks/<int:look_id>/take-back")
@inspecting
def take_back_look(look_id: int) -> ResponseReturnValue:
    """A look was recorded by mistake: it no longer counts."""
    look: Look = inspections.take_back_look(db(), look_id, current_user.user_id)
    commit()
    return answer(look.sheet_id, "Taken back: this look no longer counts.")


@bp.post("/finds/<int:first_id>/pair/<int:second_id>")
@inspecting
def say_pair(first_id: int, second_id: int) -> ResponseReturnValue:
    """Two finds of different photos are one defect, or two."""
    same = request.form.get("same") == "one"
    inspections.say_pair(db(), first_id, second_id, same=same, user_id=current_user.user_id)
    commit()
    sheet_id = int(db().get_one(Find, first_id).photo.sheet_id)
    said = "Stored: they are one defect." if same else "Stored: they are two defects."
    return answer(sheet_id, said, selected=f"f{first_id}")
