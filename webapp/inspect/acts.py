"""The inspector's word about finds and defects; the verdict that comes back has taken it in."""

from flask import request
from flask.typing import ResponseReturnValue
from flask_login import current_user

from models import inspections
from models.errors import BadValue
from models.grades.kinds import is_line, known, tidy
from models.inspections import DefectValues
from models.records import Defect, Find
from models.sheet.size_words import size_words
from webapp import bridge
from webapp.inspect import forms
from webapp.inspect.answers import answer
from webapp.inspect.blueprint import bp, inspecting
from webapp.plant import commit, current_book, db


@bp.post("/finds/<int:find_id>/confirm")
@inspecting
def confirm(find_id: int) -> ResponseReturnValue:
    """The find is a defect as measured."""
    defect = inspections.confirm_find(db(), find_id, current_user.user_id)
    return _done(defect.sheet_id, f"Confirmed: {_words(defect)}.", find_id)


@bp.post("/finds/<int:find_id>/dismiss")
@inspecting
def dismiss(find_id: int) -> ResponseReturnValue:
    """The find is no defect."""
    reason = request.form.get("reason") or None
    inspections.dismiss_find(db(), find_id, current_user.user_id, reason)
    said = "Dismissed." if reason is None else f"Dismissed: {reason}."
    return _done(_sheet_of(find_id), said, find_id)


@bp.post("/finds/<int:find_id>/change")
@inspecting
def change(find_id: int) -> ResponseReturnValue:
    """The find is a defect of another kind or size than measured."""
    defect = inspections.change_find(db(), find_id, current_user.user_id, **forms.changes(request.form))
    return _done(defect.sheet_id, f"Stored: {_words(defect)}.", find_id)


@bp.post("/finds/<int:find_id>/take-back")
@inspecting
def take_back(find_id: int) -> ResponseReturnValue:
    """The last word about the find is taken back: it waits again."""
    inspections.take_back_decision(db(), find_id, current_user.user_id)
    return _done(_sheet_of(find_id), "Taken back: it waits for your word again.", find_id)


@bp.post("/sheets/<int:sheet_id>/confirm-rest")
@inspecting
def confirm_rest(sheet_id: int) -> ResponseReturnValue:
    """Every find that still waits is a defect as measured."""
    confirmed = inspections.confirm_rest(db(), sheet_id, current_user.user_id)
    commit()
    return answer(sheet_id, f"Confirmed: {len(confirmed)} finds.")


@bp.post("/sheets/<int:sheet_id>/defects")
@inspecting
def add_defect(sheet_id: int) -> ResponseReturnValue:
    """A defect that the eye missed, placed by two touches on a photo or typed."""
    values = _missed(sheet_id)
    defect = inspections.add_defect(db(), sheet_id, current_user.user_id, values)
    commit()
    return answer(sheet_id, f"Added: {_words(defect)}.", selected=f"d{defect.id}")


@bp.post("/defects/<int:defect_id>/change")
@inspecting
def change_defect(defect_id: int) -> ResponseReturnValue:
    """Correct a defect that was added by hand."""
    changes = forms.changes(request.form)
    defect = inspections.change_defect(db(), defect_id, current_user.user_id, **changes)
    commit()
    return answer(defect.sheet_id, f"Stored: {_words(defect)}.", selected=f"d{defect.id}")


@bp.post("/defects/<int:defect_id>/withdraw")
@inspecting
def withdraw(defect_id: int) -> ResponseReturnValue:
    """Take away a defect that was added by hand; it stays in the books as withdrawn."""
    reason = request.form.get("reason") or None
    defect = inspections.withdraw_defect(db(), defect_id, current_user.user_id, reason)
    commit()
    return answer(defect.sheet_id, f"Taken away: {defect.kind}.")


@bp.post("/sheets/<int:sheet_id>/answer")
@inspecting
def answer_question(sheet_id: int) -> ResponseReturnValue:
    """Answer a question of the grade: yes, no, or taken back."""
    yes = {"yes": True, "no": False}.get(request.form.get("answer", ""))
    inspections.answer(db(), sheet_id, request.form.get("question", ""), yes, current_user.user_id)
    commit()
    return answer(sheet_id, "Answer stored.")


@bp.post("/sheets/<int:sheet_id>/grade")
@inspecting
def choose_grade(sheet_id: int) -> ResponseReturnValue:
    """Say for which grade the sheet is cut."""
    grade_id = request.form.get("grade_id", "")
    inspections.set_grade(db(), current_book(), sheet_id, grade_id, current_user.user_id)
    commit()
    return answer(sheet_id, f"Judged by {current_book().grade(grade_id).title} now.")


def _missed(sheet_id: int) -> DefectValues:
    """Raises BadValue for a form that says neither place nor touches in a way that can be used."""
    form = request.form
    kind = form.get("kind") or form.get("finer_kind", "")
    touched = forms.taps(form.get("taps", ""))
    photo_id = forms.whole(form.get("photo_id"))
    if touched and photo_id is not None:
        photo = inspections.get_photo(db(), photo_id)
        if photo.sheet_id != sheet_id:
            msg = f"photo {photo_id}: belongs to another sheet; touch a photo of this one"
            raise BadValue(msg)
        placed = bridge.measured_between((photo.result or {}).get("frame"), touched[0], touched[1])
        if not (known(tidy(kind)) and is_line(tidy(kind))):
            placed.pop("path_mm", None)
        return DefectValues(kind=kind).changed(placed)
    return DefectValues(
        kind=kind,
        x_mm=forms.number(form, "x_mm", "x across"),
        y_mm=forms.number(form, "y_mm", "y along"),
        length_mm=forms.number(form, "length_mm", "length"),
        width_mm=forms.number(form, "width_mm", "width"),
    )


def _done(sheet_id: int, said: str, find_id: int) -> ResponseReturnValue:
    commit()
    return answer(sheet_id, said, selected=f"f{find_id}")


def _sheet_of(find_id: int) -> int:
    return int(db().get_one(Find, find_id).photo.sheet_id)


def _words(defect: Defect) -> str:
    return f"{defect.kind} {size_words(defect.length_mm, defect.length_sd_mm)}"
