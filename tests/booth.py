"""A line, an inspector and a sheet, for tests of what happens in the booth."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from models import inspections
from models.records import AuditEntry, Photo
from models.store import PhotoStore
from tests.factories import inspection_dict, make_line, make_sheet, make_user

PHOTO = b"\xff\xd8 not looked at by models \xff\xd9"


class Booth:
    """A line, an inspector and a sheet, with the acts that the tests repeat."""

    def __init__(self, session: Session, store: PhotoStore) -> None:
        self.session, self.store = session, store
        self.line = make_line(session)
        self.user = make_user(session).id
        self.sheet = make_sheet(session, self.line)
        session.commit()

    def photo(self, *finds, data: bytes = PHOTO, **values) -> Photo:
        photo = inspections.add_photo(
            self.session, self.store, self.sheet.id, data, "photo.jpg", {"lighting": "dark_field"}, self.user
        )
        return inspections.record_inspection(self.session, photo.id, inspection_dict(*finds, **values))

    def finds(self) -> list[inspections.FindView]:
        return inspections.finds_of(self.session, self.sheet.id)

    def actions(self) -> list[str]:
        query = select(AuditEntry.action).where(AuditEntry.sheet_id == self.sheet.id).order_by(AuditEntry.id)
        return list(self.session.scalars(query))
