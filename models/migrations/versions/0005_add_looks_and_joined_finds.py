"""Add looks, the part of a sheet that was looked at, open ends of defects and pairs of finds.

A sheet that was finished keeps as looked at what its verdict says of its photos; where there were none, and
for sheets that came by import, nobody knows.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_JSON = sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")


def upgrade() -> None:
    op.create_table(
        "look",
        sa.Column("id", _BIG, nullable=False),
        sa.Column("sheet_id", _BIG, nullable=False, comment="the sheet"),
        sa.Column("looked", sa.Boolean(), nullable=False, comment="false: it is known that nobody looked"),
        sa.Column("way", sa.String(length=40), nullable=True, comment="eye, photo or both; empty: not known"),
        sa.Column(
            "parts_mm",
            _JSON,
            nullable=True,
            comment="boxes [x0, y0, x1, y1] in sheet mm; empty: the whole sheet",
        ),
        sa.Column(
            "lighting",
            sa.String(length=40),
            nullable=True,
            comment="dark_field or bright_field; empty: not known",
        ),
        sa.Column("distance_mm", sa.Double(), nullable=True, comment="from how far; empty: not known"),
        sa.Column(
            "smallest_mm",
            sa.Double(),
            nullable=True,
            comment="smallest size that is surely seen so; empty: not known",
        ),
        sa.Column("looked_at", sa.DateTime(timezone=True), nullable=True, comment="when; empty: not known"),
        sa.Column(
            "looked_by", sa.String(length=200), nullable=True, comment="who, as told; empty: not known"
        ),
        sa.Column(
            "recorded_at", sa.DateTime(timezone=True), nullable=False, comment="when this row was written"
        ),
        sa.Column("recorded_by", _BIG, nullable=True, comment="who wrote this row; empty: an import"),
        sa.Column("source", sa.String(length=40), nullable=False, comment="booth or import"),
        sa.Column("current", sa.Boolean(), nullable=False, comment="counts today; false: taken back"),
        sa.CheckConstraint("source IN ('booth', 'import')", name=op.f("ck_look_source")),
        sa.CheckConstraint("way IN ('eye', 'photo', 'both')", name=op.f("ck_look_way")),
        sa.ForeignKeyConstraint(
            ["recorded_by"], ["user_account.id"], name=op.f("fk_look_recorded_by_user_account")
        ),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheet.id"], name=op.f("fk_look_sheet_id_sheet")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_look")),
    )
    op.create_index(op.f("ix_look_sheet_id"), "look", ["sheet_id"])
    op.create_table(
        "find_pair",
        sa.Column("id", _BIG, nullable=False),
        sa.Column("first_id", _BIG, nullable=False, comment="the one find"),
        sa.Column("second_id", _BIG, nullable=False, comment="the other find"),
        sa.Column("same", sa.Boolean(), nullable=False, comment="true: one defect; false: two"),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("decided_by", _BIG, nullable=True, comment="who decided"),
        sa.Column("current", sa.Boolean(), nullable=False, comment="the decision that holds now"),
        sa.ForeignKeyConstraint(
            ["decided_by"], ["user_account.id"], name=op.f("fk_find_pair_decided_by_user_account")
        ),
        sa.ForeignKeyConstraint(["first_id"], ["find.id"], name=op.f("fk_find_pair_first_id_find")),
        sa.ForeignKeyConstraint(["second_id"], ["find.id"], name=op.f("fk_find_pair_second_id_find")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_find_pair")),
    )
    op.create_index(op.f("ix_find_pair_first_id"), "find_pair", ["first_id"])
    op.create_index(op.f("ix_find_pair_second_id"), "find_pair", ["second_id"])
    op.add_column("defect", sa.Column("width_sd_mm", sa.Double(), nullable=True))
    op.add_column(
        "defect",
        sa.Column(
            "open_at_mm",
            _JSON,
            nullable=True,
            comment="[x, y] where it runs out of all photos; its length is then at least length_mm",
        ),
    )
    op.add_column(
        "sheet",
        sa.Column(
            "looked_fraction",
            sa.Double(),
            nullable=True,
            comment="part of it that was looked at, 0 to 1, by its looks and photos; empty: nobody knows",
        ),
    )
    _fill_in()


def _fill_in() -> None:
    op.execute("UPDATE sheet SET looked_fraction = 0 WHERE state IN ('waiting', 'in_work', 'passed_by')")
    if op.get_bind().dialect.name == "sqlite":
        seen = "CAST(json_extract(verdict.coverage, '$.seen_fraction') AS REAL)"
    else:
        seen = "CAST(verdict.coverage ->> 'seen_fraction' AS DOUBLE PRECISION)"
    op.execute(
        f"UPDATE sheet SET looked_fraction = (SELECT {seen} FROM verdict"  # noqa: S608 - words of our own
        " WHERE verdict.sheet_id = sheet.id AND verdict.current) WHERE state = 'finished'"
    )
    # a finished sheet without photos was looked over by eye, or not: its verdict does not say
    op.execute("UPDATE sheet SET looked_fraction = NULL WHERE state = 'finished' AND looked_fraction = 0")
