"""What the sign-in pages show."""

from dataclasses import dataclass
from typing import Self

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.clock import utc_now
from models.records import User


@dataclass(frozen=True, slots=True)
class SignInPage:
    """The sign-in page: `way` is "pin" or "password"; `chosen` the name picked on a tablet."""

    way: str
    tablet_users: list[User]
    chosen: User | None
    name: str
    problem: str | None
    ended: bool


def sign_in_page(
    session: Session,
    way: str | None,
    who: str | None,
    *,
    problem: str | None = None,
    name: str = "",
    ended: bool = False,
) -> SignInPage:
    """The page for this way of signing in; without a way, the tablet's where anybody has a PIN."""
    tablet_users = list(
        session.scalars(
            select(User)
            .where(User.pin_hash.is_not(None), User.disabled_at.is_(None))
            .order_by(User.full_name)
        )
    )
    if way not in ("pin", "password"):
        way = "pin" if tablet_users else "password"
    chosen = next((user for user in tablet_users if user.name == who), None)
    return SignInPage(way, tablet_users, chosen, name, problem, ended)


@dataclass(frozen=True, slots=True)
class PersonRow:
    """One line of the page "People"."""

    name: str
    full_name: str
    role: str
    ways: str
    state: str
    open: bool

    @classmethod
    def of(cls, user: User) -> Self:
        """The line of this account."""
        ways = [word for word, has in (("password", user.password_hash), ("PIN", user.pin_hash)) if has]
        locked = user.locked_until is not None and user.locked_until > utc_now()
        state = "disabled" if user.disabled_at else "locked for a while" if locked else "open"
        return cls(
            user.name, user.full_name, user.role, " and ".join(ways), state, open=user.disabled_at is None
        )
