"""Orders: for whom a pack is, in which grade and use, when it left the plant and where it went.

The grade ordered here is the one that the sheets of the pack are judged by. Each act writes its record and
its audit entry in the session's one transaction and locks the pack first; the caller commits. What a pack
was ordered as cannot change once it has left, unless its shipping is taken back with a reason; what was
not known when it left may be filled in.
"""

from __future__ import annotations

import difflib
import unicodedata
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models import audit
from models.clock import plant_time, to_utc, utc_now
from models.errors import BadValue, NoSuchRecord, NotAllowedNow
from models.grades import GradeBook, NoSuchGrade
from models.records import Customer, Line, Pack, Sheet, Verdict
from models.records.order import USES

LONGEST_NAME = 200
#: so far ahead a shipping time may lie: clocks of offices and lines differ, plans for next week are not acts
AHEAD = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class Order:
    """What is ordered: customer (None: not sold yet), grade (None: none named), use "stock" or "cut_size"."""

    customer: str | None
    grade_id: str | None
    use: str


def lock_pack(session: Session, pack_id: int) -> Pack:
    """The pack, with others' acts on it held off until this transaction ends. Raises NoSuchRecord."""
    query = select(Pack).where(Pack.id == pack_id).with_for_update(key_share=True)
    pack = session.scalars(query.execution_options(populate_existing=True)).one_or_none()
    if pack is None:
        raise NoSuchRecord(f"pack number {pack_id}: there is no such pack")
    return pack


def order_of(pack: Pack) -> Order:
    """What the books say is ordered."""
    return Order(None if pack.customer is None else pack.customer.name, pack.grade_id, pack.use)


def customer_names(session: Session) -> list[str]:
    """The customers in the books, by name."""
    return sorted(session.scalars(select(Customer.name)), key=str.casefold)


def set_order(
    session: Session,
    book: GradeBook,
    pack_id: int,
    *,
    customer: str | None,
    grade_id: str | None,
    use: str,
    user_id: int | None,
) -> Pack:
    """Say what a pack is ordered as, as a whole; nothing is written where the books say so already.

    customer : as typed; one that is known in other capitals or spacing is that one, a new one is made
    book : the grades in force at this plant, of which `grade_id` must be one

    Raises NoSuchRecord; NoSuchGrade naming the nearest; BadValue; NotAllowedNow for a pack that has left.
    """
    pack = lock_pack(session, pack_id)
    before, after = order_of(pack), check_order(session, book, pack, Order(customer, grade_id, use))
    if after == before:
        return pack
    if after.customer != before.customer:
        pack.customer = None if after.customer is None else _customer(session, after.customer)
    pack.grade_id, pack.use = after.grade_id, after.use
    session.flush()
    changes = {
        name: {"from": getattr(before, name), "to": getattr(after, name)}
        for name in ("customer", "grade_id", "use")
        if getattr(before, name) != getattr(after, name)
    }
    _append(session, "pack.order", pack, user_id, changes)
    return pack


def check_order(session: Session, book: GradeBook, pack: Pack, given: Order) -> Order:
    """The order as it would stand in the books; nothing is written. Raises as `set_order` does."""
    before = order_of(pack)
    customer = cleaned(given.customer, f"pack {pack.label}: customer")
    known = None if customer is None else _known_customer(session, customer)
    grade_id = (given.grade_id or "").strip() or None
    if grade_id is not None and grade_id != before.grade_id:
        grade_id = known_grade(book, grade_id, f"pack {pack.label}")
    if given.use not in USES:
        raise BadValue(f"pack {pack.label}: use is {given.use[:40]!r}; expected {' or '.join(USES)}")
    after = Order(customer if known is None else known.name, grade_id, given.use)
    if pack.shipped_at is not None:
        said = {"customer": before.customer is not None, "grade_id": before.grade_id is not None}
        said["use"] = said["grade_id"]
        for name, stands in said.items():
            if stands and getattr(after, name) != getattr(before, name):
                raise NotAllowedNow(
                    f"pack {pack.label}: was shipped {_clock(session, pack.shipped_at)} with"
                    f" {name.removesuffix('_id')} {getattr(before, name)!r}; take the shipping back first"
                )
    return after


def ship_pack(
    session: Session, pack_id: int, shipped_at: datetime, destination: str | None, user_id: int | None
) -> Pack:
    """Write down that a pack left the plant; nothing is written where the books say so already.

    A destination that was not known may be filled in later.

    Raises NoSuchRecord; BadValue for a time without offset, before the newest sheet of the pack was cut
    or still to come; NotAllowedNow for a pack that left at another time or to another place.
    """
    pack = lock_pack(session, pack_id)
    at, to = check_shipping(session, pack, shipped_at, destination)
    if (at, to) == (pack.shipped_at, pack.destination):
        return pack
    pack.shipped_at, pack.destination = at, to
    session.flush()
    _append(session, "pack.ship", pack, user_id, {"shipped_at": at.isoformat(), "destination": to})
    return pack


def check_shipping(
    session: Session, pack: Pack, shipped_at: datetime, destination: str | None
) -> tuple[datetime, str | None]:
    """(when, where to) as they would stand in the books; nothing is written. Raises as `ship_pack` does."""
    at = to_utc(shipped_at, where=f"pack {pack.label}: shipping time")
    to = cleaned(destination, f"pack {pack.label}: destination") or pack.destination
    if pack.shipped_at is not None:
        if at != pack.shipped_at or (pack.destination is not None and to != pack.destination):
            where = f" to {pack.destination}" if pack.destination else ""
            raise NotAllowedNow(
                f"pack {pack.label}: was shipped {_clock(session, pack.shipped_at)}{where};"
                " take the shipping back first"
            )
        return at, to
    if at > utc_now() + AHEAD:
        raise BadValue(
            f"pack {pack.label}: shipping time {_clock(session, at)} is still to come; expected when it left"
        )
    newest = None if pack.id is None else _newest_cut(session, pack.id)
    if newest is not None and at < newest[0]:
        raise BadValue(
            f"pack {pack.label}: shipping time {_clock(session, at)} lies before its sheet {newest[1]}"
            f" was cut ({_clock(session, newest[0])}); expected a later time"
        )
    return at, to


def take_back_shipping(session: Session, pack_id: int, user_id: int | None, reason: str) -> Pack:
    """Put a pack back into the yard: it did not leave, came back, or was written down wrongly.

    Raises NoSuchRecord; NotAllowedNow for a pack in the yard; BadValue without a reason.
    """
    pack = lock_pack(session, pack_id)
    if pack.shipped_at is None:
        raise NotAllowedNow(f"pack {pack.label}: is in the yard; there is no shipping to take back")
    why = " ".join(reason.split())[:2000]
    if not why:
        raise BadValue(f"pack {pack.label}: say why its shipping is taken back")
    details = {
        "shipped_at": pack.shipped_at.isoformat(), "destination": pack.destination, "reason": why
    }  # fmt: skip
    pack.shipped_at, pack.destination = None, None
    session.flush()
    _append(session, "pack.ship_back", pack, user_id, details)
    return pack


def judged_otherwise(session: Session, pack: Pack) -> int:
    """How many sheets of the pack have a verdict by another grade than the one ordered now."""
    if pack.grade_id is None:
        return 0
    query = select(func.count(Verdict.id)).join(Sheet, Sheet.id == Verdict.sheet_id)
    query = query.where(Sheet.pack_id == pack.id, Verdict.current, Verdict.grade_id != pack.grade_id)
    return session.scalar(query) or 0


def _customer(session: Session, name: str) -> Customer:
    """The customer of this name, made at first use.

    Who makes one holds the chain of acts from here on and looks again: two people who type a new name at
    once make one customer. Nothing but the chain is locked after it.
    """
    known = _known_customer(session, name)
    if known is None:
        audit.lock_head(session)
        known = _known_customer(session, name)
    if known is None:
        known = Customer(name=name, created_at=utc_now())
        session.add(known)
        session.flush()
    return known


def _known_customer(session: Session, name: str) -> Customer | None:
    # compared here and not in the database: SQLite folds the capitals of ASCII alone
    wanted = folded(name)
    rows = session.execute(select(Customer.id, Customer.name).order_by(Customer.id))
    found = next((number for number, stored in rows if folded(stored) == wanted), None)
    return None if found is None else session.get_one(Customer, found)


def folded(name: str) -> str:
    """A name without its capitals and spacing: customers whose names agree so are one customer."""
    return unicodedata.normalize("NFC", " ".join(name.split())).casefold()


def known_grade(book: GradeBook, grade_id: str, where: str) -> str:
    """The grade's id as the book writes it. Raises NoSuchGrade naming the nearest, `where` before it."""
    by_folded = {name.casefold(): name for name in book.ids()}
    wanted = grade_id.casefold()
    if wanted in by_folded:
        return by_folded[wanted]
    near = [by_folded[name] for name in difflib.get_close_matches(wanted, by_folded, n=3, cutoff=0.5)]
    hint = f"; the nearest are {', '.join(near)}" if near else "; expected an id from the list of grades"
    raise NoSuchGrade(f"{where}: no grade is called {grade_id[:60]!r}{hint}")


def cleaned(text: str | None, where: str) -> str | None:
    """A name with single spaces, None for an empty one. Raises BadValue where it cannot be shown."""
    cleaned = " ".join((text or "").split())
    if len(cleaned) > LONGEST_NAME:
        raise BadValue(f"{where} has {len(cleaned)} characters; expected at most {LONGEST_NAME}")
    if not cleaned.isprintable():
        raise BadValue(f"{where} has signs that cannot be printed; expected plain text")
    return cleaned or None


def _newest_cut(session: Session, pack_id: int) -> tuple[datetime, str] | None:
    query = select(Sheet.cut_at, Sheet.label).where(Sheet.pack_id == pack_id)
    row = session.execute(query.order_by(Sheet.cut_at.desc(), Sheet.id).limit(1)).one_or_none()
    return None if row is None else (row[0], row[1])


def _clock(session: Session, moment: datetime) -> str:
    """A moment on the plant's clock, as people read it."""
    zone = session.scalar(select(Line.time_zone).order_by(Line.id).limit(1)) or "UTC"
    return plant_time(moment, zone).isoformat(sep=" ", timespec="minutes")


def _append(session: Session, action: str, pack: Pack, user_id: int | None, details: dict[str, Any]) -> None:
    audit.append(session, action, "pack", pack.id, user_id=user_id, details={"pack": pack.label, **details})
