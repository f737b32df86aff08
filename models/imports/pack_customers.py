"""Customers and grades that a file of sheets names: the customer is the pack's, the grade the sheet's."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import audit
from models.grade_books import plant_book
from models.grades import GradeBook, load_sets
from models.imports.rows import RowRefused
from models.orders import cleaned, folded, known_grade, lock_pack, order_of, set_order
from models.records import Customer, Pack


class Orders:
    """What rows of sheets say of orders, checked row by row and written at the end of the file.

    homeless : rows that name a customer where no pack is known
    """

    def __init__(self, session: Session, file_name: str) -> None:
        self.session, self.file_name, self.homeless = session, file_name, 0
        self.grades: dict[str, str] = {}
        self.wanted: dict[str, str] = {}
        self._book: GradeBook | None = None
        self._known: dict[str, str] | None = None

    def grade(self, text: str) -> str:
        """A grade's id as the books write it. Raises NoSuchGrade."""
        if text not in self.grades:
            self.grades[text] = known_grade(self.book, text, "grade")
        return self.grades[text]

    @property
    def book(self) -> GradeBook:
        if self._book is None:
            self._book = plant_book(self.session, load_sets())
        return self._book

    @property
    def known(self) -> dict[str, str]:
        """Customers of the packs in the books, by label of the pack."""
        if self._known is None:
            query = select(Pack.label, Customer.name).join(Customer, Customer.id == Pack.customer_id)
            self._known = {label: name for label, name in self.session.execute(query)}  # noqa: C416
        return self._known

    def customer(self, pack: str | None, text: str) -> str | None:
        """The customer of a row, to be noted for its pack once the row is good; None: nothing to note.

        Raises BadValue, RowRefused for a customer other than the pack's.
        """
        name = cleaned(text, "customer")
        if name is None or pack is None:
            return None
        there = self.known.get(pack) or self.wanted.get(pack)
        if there is not None and folded(there) != folded(name):
            raise RowRefused(f"customer is {name!r} but pack {pack!r} is for {there!r}")
        return name if there is None else None

    def write(self, packs: dict[str, int]) -> None:
        """Give the packs their customers, each act in the chain. packs : numbers by label."""
        if not self.wanted:
            return
        audit.set_origin(self.session, f"import file {self.file_name}")
        numbers = sorted((packs[label], name) for label, name in self.wanted.items())
        # all are locked before the first is written: the chain is what is locked last
        locked = [(lock_pack(self.session, number), name) for number, name in numbers]
        for pack, name in locked:
            order = order_of(pack)
            set_order(
                self.session, self.book, pack.id, customer=name, grade_id=order.grade_id, use=order.use,
                user_id=None,
            )  # fmt: skip
