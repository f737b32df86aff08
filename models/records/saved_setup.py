"""Photo set-ups of a booth, saved under a name: where its camera looks, how it is lit and scaled."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from models.records.base import Base, Id, Moment, Name, link


class SavedSetup(Base):
    """A set-up that inspectors choose by name. A photo keeps its own copy, so this one may change."""

    __tablename__ = "saved_setup"
    __table_args__ = (UniqueConstraint("line_id", "name"),)

    id: Mapped[Id]
    line_id: Mapped[int] = link("line.id", "the line whose booth it is")
    name: Mapped[Name] = mapped_column(comment="as chosen, such as Dark field, tile B2")
    setup: Mapped[dict[str, Any]] = mapped_column(comment="content of a photo set-up file")
    first_choice: Mapped[bool] = mapped_column(comment="offered first on this line")
    created_at: Mapped[Moment]
    created_by: Mapped[int | None] = link("user_account.id", "who saved it")
    retired_at: Mapped[datetime | None] = mapped_column(comment="no longer offered")
