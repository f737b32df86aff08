"""The page of one pack with its order and its shipping, and the acts that set them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from models import orders
from models.clock import zone
from models.errors import BadValue, LehrbookError, NotAllowedNow
from models.grades.explain import SAFETY
from models.records import Pack
from webapp.grades.blueprint import bp
from webapp.grades.pack_pages import pack_page
from webapp.plant import commit, current_book, current_plant, db
from webapp.security import roles

ORDERING = ("quality_lead", "claims_desk", "administrator")
"""Who may say what a pack is ordered as and that it left."""

USE_WORDS = {"stock": "stock size", "cut_size": "cut size"}


@dataclass(frozen=True, slots=True)
class OrderForms:
    """What the forms for order and shipping show: what stands in the fields, and what was wrong with it.

    `problem` says why a form came back, empty where none did.
    """

    customers: tuple[str, ...]
    uses: Mapping[str, str]
    time_zone: str
    fields: Mapping[str, str]
    may_write: bool
    problem: str


@bp.get("/pack/<int:pack_id>")
@roles()
def pack(pack_id: int) -> ResponseReturnValue:
    """A pack: its order, each sheet by itself, the averages over all, what is left, what to hold back."""
    return _page(pack_id, request.args.get("grade") or None)


@bp.post("/pack/<int:pack_id>/order")
@roles(*ORDERING)
def order(pack_id: int) -> ResponseReturnValue:
    """Say for whom the pack is, in which grade and for which use."""
    form = request.form
    try:
        row = orders.set_order(
            db(), current_book(), pack_id, customer=form.get("customer"), grade_id=form.get("grade"),
            use=form.get("use", ""), user_id=current_user.user_id,
        )  # fmt: skip
    except LehrbookError as error:
        return _came_back(pack_id, error)
    stands, otherwise = orders.order_of(row), orders.judged_otherwise(db(), row)
    said = f"Pack {row.label} is {f'for {stands.customer}' if stands.customer else 'not sold yet'},"
    grade = current_book().grade(stands.grade_id).title if stands.grade_id else "no grade named"
    said += f" {grade}, {USE_WORDS[stands.use]}."
    if otherwise:
        said += (
            f" Sheets with a verdict by another grade: {otherwise}; their verdicts stay until judged again."
        )
    return _done(pack_id, said)


@bp.post("/pack/<int:pack_id>/ship")
@roles(*ORDERING)
def ship(pack_id: int) -> ResponseReturnValue:
    """Write down when the pack left and where it went."""
    try:
        at = _moment(request.form.get("shipped_at", ""))
        row = orders.ship_pack(db(), pack_id, at, request.form.get("destination"), current_user.user_id)
    except LehrbookError as error:
        return _came_back(pack_id, error)
    where = f" to {row.destination}" if row.destination else ""
    return _done(pack_id, f"Pack {row.label} is written down as shipped{where}.")


@bp.post("/pack/<int:pack_id>/ship/back")
@roles(*ORDERING)
def take_back(pack_id: int) -> ResponseReturnValue:
    """Take the shipping back, with a reason; it stays in the chain of acts."""
    try:
        row = orders.take_back_shipping(
            db(), pack_id, current_user.user_id, request.form.get("reason", "")
        )  # fmt: skip
    except LehrbookError as error:
        return _came_back(pack_id, error)
    return _done(pack_id, f"Pack {row.label} is in the yard again; that it was shipped stays in the books.")


def _done(pack_id: int, said: str) -> ResponseReturnValue:
    commit()
    flash(said, "done")
    return redirect(url_for("grades.pack", pack_id=pack_id), 303)


def _came_back(pack_id: int, error: LehrbookError) -> ResponseReturnValue:
    """The page again with what was typed and what is wrong with it; nothing was written."""
    db().rollback()
    return _page(pack_id, None, str(error)), 409 if isinstance(error, NotAllowedNow) else 400


def _page(pack_id: int, grade_id: str | None, problem: str = "") -> str:
    page = pack_page(db(), current_plant().book, current_book(), pack_id, grade_id)
    fields = _fields(page.pack)
    if problem:
        fields |= {name: request.form[name][:2000] for name in fields if name in request.form}
    forms = OrderForms(
        tuple(orders.customer_names(db())), USE_WORDS, current_plant().time_zone, fields,
        current_user.role in ORDERING, problem,
    )  # fmt: skip
    return render_template("grades/pack.html", page=page, forms=forms, safety=SAFETY)


def _fields(pack: Pack) -> dict[str, str]:
    """What the books hold, as it stands in the forms."""
    stands = orders.order_of(pack)
    at = pack.shipped_at
    local = "" if at is None else f"{at.astimezone(zone(current_plant().time_zone)):%Y-%m-%dT%H:%M}"
    return {
        "customer": stands.customer or "",
        "grade": stands.grade_id or "",
        "use": stands.use,
        "shipped_at": local,
        "destination": pack.destination or "",
        "reason": "",
    }


def _moment(text: str) -> datetime:
    """A time typed on the plant's clock; one with an offset is taken as it stands. Raises BadValue."""
    typed = text.strip()
    if not typed:
        raise BadValue(
            "shipping time: nothing stands there; expected when the pack left, on the plant's clock"
        )
    try:
        moment = datetime.fromisoformat(typed)
        local = moment if moment.tzinfo else moment.replace(tzinfo=zone(current_plant().time_zone))
        return local.astimezone(UTC)
    except (ValueError, OverflowError):
        raise BadValue(
            f"shipping time: {typed[:40]!r} is not a time; expected for example 2026-03-02T06:00"
        ) from None
