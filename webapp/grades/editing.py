"""Addresses for a plant's own grades: write, check while typing, try on the last weeks, keep, retire."""

from collections.abc import Mapping
from datetime import timedelta

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from models.clock import utc_now
from models.errors import BadValue, LehrbookError
from models.grade_books import retire_plant_grade, save_plant_grade
from models.grade_trial import Trial, grades_judged, try_grade
from models.grades import Grade, grades_from_text
from models.grades.check import oddities
from models.grades.compose import compose
from webapp.grades.answers import ALLOWANCE_WORDS, ROWS, START, TABLES, read_answers
from webapp.grades.blueprint import LEADS, bp
from webapp.grades.drafts import Checked, draft_of
from webapp.plant import commit, current_book, current_plant, db
from webapp.security import roles

TRIAL_DAYS = 30
_LONGEST = 200_000


@bp.get("/write")
@roles(*LEADS)
def write() -> ResponseReturnValue:
    """The page on which a plant grade is written, from an example, from another grade, or from its last
    version.
    """
    start = draft_of(db(), current_book(), request.args.get("from") or None)
    return _page(start, request.args.get("instead_of") or "")


@bp.post("/write")
@roles(*LEADS)
def keep() -> ResponseReturnValue:
    """Keep what was written; a grade that cannot be read comes back with what is wrong, nothing lost."""
    text = _text()
    if request.form.get("act") == "try":
        return _tried(text)
    try:
        row = save_plant_grade(db(), current_plant().book, text, current_user.user_id)
    except LehrbookError as error:
        db().rollback()
        return _page(text, request.form.get("instead_of", ""), problem=str(error)), 400
    grade_id, version = row.grade_id, row.version
    commit()
    flash(
        f"Version {version} of {grade_id} is kept and counts from now on; earlier verdicts keep theirs.",
        "done",
    )
    return redirect(url_for("grades.grade", grade_id=grade_id), 303)


@bp.get("/compose")
@roles(*LEADS)
def compose_form() -> ResponseReturnValue:
    """Plain questions instead of a text: size classes that cannot have gaps, crowding, spacing, lines."""
    return _questions({**START, "version": f"{utc_now():%Y-%m-%d}"})


@bp.post("/compose")
@roles(*LEADS)
def compose_text() -> ResponseReturnValue:
    """The answers as a grade's text, on the page where it is checked, tried and kept."""
    try:
        text = compose(read_answers(request.form))
    except LehrbookError as error:
        return _questions(request.form, str(error)), 400
    return _page(text, request.form.get("instead_of", ""))


@bp.post("/check")
@roles(*LEADS)
def check() -> ResponseReturnValue:
    """What is odd about the text, as a piece of the page."""
    return render_template("grades/_checked.html", checked=_checked(_text()))


@bp.post("/grade/<grade_id>/retire")
@roles(*LEADS)
def retire(grade_id: str) -> ResponseReturnValue:
    """Take a plant grade out of use for new verdicts."""
    retire_plant_grade(db(), grade_id, current_user.user_id)
    commit()
    flash(f"{grade_id} is out of use; verdicts given by it stay as they are.", "done")
    return redirect(url_for("grades.index"), 303)


def _questions(answers: Mapping[str, str], problem: str = "") -> str:
    return render_template(
        "grades/compose.html", answers=answers, problem=problem, tables=TABLES, rows=ROWS,
        allowances=ALLOWANCE_WORDS,
    )  # fmt: skip


def _tried(text: str) -> ResponseReturnValue:
    checked = _checked(text)
    instead_of = request.form.get("instead_of", "")
    if checked.problem:
        return _page(text, instead_of, problem=checked.problem), 400
    since = utc_now() - timedelta(days=TRIAL_DAYS)
    trials = [
        (grade.title, try_grade(db(), grade, since=since, instead_of=instead_of or None))
        for grade in checked.grades
    ]
    return _page(text, instead_of, trials=trials)


def _page(
    text: str,
    instead_of: str,
    *,
    problem: str = "",
    trials: list[tuple[str, Trial]] | None = None,
) -> str:
    since = utc_now() - timedelta(days=TRIAL_DAYS)
    return render_template(
        "grades/write.html", text=text, checked=_checked(text), problem=problem, trials=trials or [],
        instead_of=instead_of, judged=grades_judged(db(), since=since), days=TRIAL_DAYS,
    )  # fmt: skip


def _text() -> str:
    text = request.form.get("text", "").replace("\r\n", "\n")
    if len(text) > _LONGEST:
        raise BadValue(f"plant grade: {len(text)} characters are too many; expected at most {_LONGEST}")
    return text


def _checked(text: str) -> Checked:
    try:
        grades: tuple[Grade, ...] = grades_from_text(text, where="plant grade", plant=True)
    except LehrbookError as error:
        return Checked(str(error), (), ())
    odd = []
    for grade in grades:
        about = f"{grade.title}: " if len(grades) > 1 else ""
        odd += [about + sentence for sentence in oddities(grade)]
    return Checked("", tuple(odd), grades)
