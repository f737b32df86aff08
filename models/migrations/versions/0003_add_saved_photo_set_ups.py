"""Add saved photo set-ups."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "saved_setup",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "line_id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            nullable=False,
            comment="the line whose booth it is",
        ),
        sa.Column(
            "name", sa.String(length=200), nullable=False, comment="as chosen, such as Dark field, tile B2"
        ),
        sa.Column(
            "setup",
            sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql"),
            nullable=False,
            comment="content of a photo set-up file",
        ),
        sa.Column("first_choice", sa.Boolean(), nullable=False, comment="offered first on this line"),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "created_by",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            nullable=True,
            comment="who saved it",
        ),
        sa.Column("retired_at", sa.DateTime(timezone=True), nullable=True, comment="no longer offered"),
        sa.ForeignKeyConstraint(
            ["created_by"], ["user_account.id"], name=op.f("fk_saved_setup_created_by_user_account")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["line.id"], name=op.f("fk_saved_setup_line_id_line")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_saved_setup")),
        sa.UniqueConstraint("line_id", "name", name=op.f("uq_saved_setup_line_id_name")),
    )
