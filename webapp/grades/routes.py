"""Addresses of the pages on grades: the list, one grade, a sheet's verdict, a pack."""

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from models import inspections
from models.grade_books import confirm_grade
from models.grades.advice import CUT_CLEARANCE_MM
from models.grades.explain import REMEMBERED, SAFETY
from webapp.grades import editing, order_pages  # noqa: F401 - their routes belong to the same blueprint
from webapp.grades.blueprint import LEADS, bp
from webapp.grades.changed_pages import days_asked_for
from webapp.grades.grade_pages import grade_page, index_page
from webapp.grades.pack_pages import packs_page
from webapp.grades.sheet_pages import sheet_page
from webapp.plant import commit, current_book, current_plant, db
from webapp.security import roles


@bp.get("/")
@roles()
def index() -> ResponseReturnValue:
    """All grades at hand with their viewing conditions."""
    return render_template("grades/index.html", page=index_page(db(), current_book()), may_write=_may_write())


@bp.get("/grade/<grade_id>")
@roles()
def grade(grade_id: str) -> ResponseReturnValue:
    """One grade: how to look, how it sizes, every rule in words with clause and source."""
    page = grade_page(db(), current_book(), current_plant().book, grade_id)
    return render_template(
        "grades/grade.html", page=page, may_write=_may_write(), remembered=REMEMBERED, safety=SAFETY
    )


@bp.post("/grade/<grade_id>/confirm")
@roles(*LEADS)
def confirm(grade_id: str) -> ResponseReturnValue:
    """Record that the signed-in person checked a remembered table against a bought copy."""
    confirm_grade(db(), current_book(), grade_id, current_user.user_id, request.form.get("note"))
    commit()
    title = current_book().grade(grade_id).title
    flash(f"{title} is confirmed by {current_user.display_name} and may decide from now on.", "done")
    return redirect(url_for("grades.grade", grade_id=grade_id), 303)


@bp.get("/sheet/<int:sheet_id>")
@roles()
def sheet(sheet_id: int) -> ResponseReturnValue:
    """A sheet's verdict drawn and explained, by the grade ordered or another, and what would make it pass."""
    page = sheet_page(db(), current_plant().book, current_book(), sheet_id, request.args.get("grade") or None)
    return render_template(
        "grades/sheet.html", page=page, may_write=_may_write(), safety=SAFETY, clearance=CUT_CLEARANCE_MM
    )


@bp.post("/sheet/<int:sheet_id>/again")
@roles(*LEADS)
def again(sheet_id: int) -> ResponseReturnValue:
    """Judge a finished sheet by today's rules, knowingly; the earlier verdict stays in its history."""
    old, new = inspections.judge_again(db(), current_plant().book, sheet_id, current_user.user_id)
    said = (
        f"Judged again by rule set {new.rule_set_version}: {_said(old.outcome)} became {_said(new.outcome)}."
    )
    if old.outcome == new.outcome:
        said = f"Judged again by rule set {new.rule_set_version}: still {_said(new.outcome)}."
    commit()
    flash(said, "done")
    if request.form.get("back") == "changed":
        return redirect(url_for("grades.changed", days=days_asked_for(request.form.get("days", ""))), 303)
    return redirect(url_for("grades.sheet", sheet_id=sheet_id), 303)


@bp.get("/packs")
@roles()
def packs() -> ResponseReturnValue:
    """The packs, those still in the yard first."""
    return render_template("grades/packs.html", page=packs_page(db(), request.args.get("q", "")))


def _may_write() -> bool:
    return current_user.role in LEADS


def _said(outcome: str) -> str:
    return {"accept": "accepted", "reject": "rejected", "downgrade": "downgraded"}.get(outcome, "not judged")
