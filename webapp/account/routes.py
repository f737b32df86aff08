"""Sign-in and sign-out, the start page of each role, and who may sign in at all."""

from flask import Blueprint, flash, redirect, render_template, request, session, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user, login_user, logout_user

from models import users
from models.errors import BadValue
from webapp import navigation
from webapp.account import signed_in
from webapp.account.view_models import PersonRow, sign_in_page
from webapp.plant import commit, current_plant, db
from webapp.security import open_to_all, origin, roles, safe_next, start_session

bp = Blueprint("account", __name__)


@bp.get("/")
@roles()
def home() -> ResponseReturnValue:
    """The first page that the person's role opens."""
    places = navigation.entries()
    return redirect(places[0].url if places else url_for("account.mine"))


@bp.get("/sign-in")
@open_to_all
def sign_in() -> ResponseReturnValue:
    """The sign-in page."""
    if current_user.is_authenticated:
        return redirect(safe_next(request.args.get("next"), url_for("account.home")))
    page = sign_in_page(
        db(), request.args.get("way"), request.args.get("who"), ended=session.pop("ended", None) is not None
    )
    return render_template("account/sign_in.html", title="Sign in", page=page, next=request.args.get("next"))


@bp.post("/sign-in")
@open_to_all
def try_sign_in() -> ResponseReturnValue:
    """Check a PIN or a password."""
    way, name = request.form.get("way", "password"), request.form.get("name", "")
    with_pin = way == "pin"
    came_of_it = users.sign_in(
        current_plant().sessions, name, request.form.get("secret", ""), with_pin=with_pin, origin=origin()
    )
    target = request.form.get("next")
    if came_of_it.user is None:
        page = sign_in_page(db(), way, name if with_pin else None, problem=came_of_it.message, name=name)
        return render_template("account/sign_in.html", title="Sign in", page=page, next=target), 403
    session.clear()  # nothing of an earlier person's session is carried over
    login_user(signed_in.from_record(came_of_it.user))
    start_session("tablet" if with_pin else "desk")
    return redirect(safe_next(target, url_for("account.home")), 303)


@bp.post("/sign-out")
@open_to_all
def sign_out() -> ResponseReturnValue:
    """End the sign-in."""
    logout_user()
    session.clear()
    return redirect(url_for("account.sign_in"), 303)


@bp.get("/me")
@roles()
def mine() -> ResponseReturnValue:
    """The person's own password and PIN."""
    return render_template("account/mine.html", title="Your sign-in")


@bp.post("/me")
@roles()
def change_mine() -> ResponseReturnValue:
    """Change the person's own password or PIN, after the old one was given once more."""
    with_pin = session.get("sign_in") == "tablet"
    checked = users.sign_in(
        current_plant().sessions, current_user.name, request.form.get("old", ""), with_pin=with_pin
    )
    if checked.user is None:
        raise BadValue(f"{current_user.name}: the present PIN or password is wrong; nothing was changed")
    user = users.find_user(db(), current_user.name)
    if with_pin:
        users.set_pin(db(), user, request.form.get("new", ""), by=user.id)
    else:
        users.set_password(db(), user, request.form.get("new", ""), by=user.id)
    commit()
    login_user(signed_in.from_record(user))
    flash("Changed. Other devices where you were signed in have to sign in again.", "done")
    return redirect(url_for("account.mine"), 303)


@bp.get("/people")
@roles("administrator")
def people() -> ResponseReturnValue:
    """Everybody who can sign in."""
    rows = [PersonRow.of(user) for user in users.list_users(db())]
    return render_template("account/people.html", title="People", users=rows)


@bp.post("/people")
@roles("administrator")
def add_person() -> ResponseReturnValue:
    """Add somebody."""
    form = request.form
    user = users.create_user(
        db(),
        form.get("name", ""),
        form.get("full_name", ""),
        form.get("role", ""),
        password=form.get("password") or None,
        pin=form.get("pin") or None,
        by=current_user.user_id,
    )
    commit()
    flash(f"{user.full_name} can sign in now.", "done")
    return redirect(url_for("account.people"), 303)


@bp.post("/people/<name>/switch")
@roles("administrator")
def switch_person(name: str) -> ResponseReturnValue:
    """Disable somebody, or let them in again."""
    user = users.find_user(db(), name)
    if request.form.get("to") == "disabled":
        users.disable_user(db(), user, by=current_user.user_id)
    else:
        users.enable_user(db(), user, by=current_user.user_id)
    commit()
    return redirect(url_for("account.people"), 303)


@bp.post("/people/<name>/secret")
@roles("administrator")
def new_secret(name: str) -> ResponseReturnValue:
    """Give somebody a new password or PIN; this also ends a lock."""
    user = users.find_user(db(), name)
    password, pin = request.form.get("password"), request.form.get("pin")
    if not password and not pin:
        raise BadValue(f"user {user.name}: expected a new password, a new PIN, or both")
    if password:
        users.set_password(db(), user, password, by=current_user.user_id)
    if pin:
        users.set_pin(db(), user, pin, by=current_user.user_id)
    commit()
    flash(f"{user.full_name} has a new sign-in; any lock is ended.", "done")
    return redirect(url_for("account.people"), 303)
