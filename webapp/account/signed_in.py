"""The signed-in person, as pages see them."""

from dataclasses import dataclass

from flask import Flask
from flask_login import LoginManager, UserMixin

from models.database import reading
from models.records import User
from webapp.plant import current_plant


@dataclass(frozen=True, slots=True)
class SignedIn(UserMixin):
    """Who sends this request. `stamp` changes with password, PIN or disabling, which ends old sessions."""

    user_id: int
    name: str
    display_name: str
    role: str
    stamp: str

    def get_id(self) -> str:
        """What the session cookie keeps."""
        return f"{self.user_id}:{self.stamp}"


def from_record(user: User) -> SignedIn:
    """The person of this account."""
    return SignedIn(user.id, user.name, user.full_name, user.role, user.sign_in_stamp)


def init_app(app: Flask) -> None:
    """Teach Flask-Login how a session cookie becomes a person."""
    manager: LoginManager = app.login_manager  # type: ignore[attr-defined]
    manager.user_loader(_load)


def _load(identity: str) -> SignedIn | None:
    user_id, _, stamp = identity.partition(":")
    if not user_id.isdigit():
        return None
    # a short look of its own: the request's session may be one that writes, and would begin with a lock
    with reading(current_plant().sessions) as session:
        user = session.get(User, int(user_id))
        if user is None or user.disabled_at is not None or user.sign_in_stamp != stamp:
            return None
        return from_record(user)
