"""Add tracer runs."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "tracer_run",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "line_id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            nullable=False,
            comment="the line",
        ),
        sa.Column(
            "run_id", sa.String(length=200), nullable=False, comment="the plant's own number of the run"
        ),
        sa.Column(
            "section",
            sa.String(length=40),
            nullable=False,
            comment="the vessel or vessels between tracer and sample",
        ),
        sa.Column(
            "method",
            sa.String(length=40),
            nullable=False,
            comment="pulse: one dose; step: a change that lasts",
        ),
        sa.Column(
            "introduced_at",
            sa.DateTime(timezone=True),
            nullable=False,
            comment="when the tracer went in, or the change began",
        ),
        sa.Column(
            "sampled_at",
            sa.String(length=200),
            nullable=True,
            comment="point of the layout where samples were taken; empty: where the section ends",
        ),
        sa.Column("unit", sa.String(length=40), nullable=False, comment="of the readings"),
        sa.Column(
            "added_kg", sa.Double(), nullable=True, comment="weight of tracer in a pulse, for the recovery"
        ),
        sa.Column("final", sa.Double(), nullable=True, comment="reading of all-new glass after a step"),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column(
            "valid_from",
            sa.DateTime(timezone=True),
            nullable=False,
            comment="first moment from which the trace may use the run",
        ),
        sa.Column("in_use", sa.Boolean(), nullable=False, comment="false: the trace does without it"),
        sa.Column("tonnes_from", sa.String(length=40), nullable=False, comment="how hours became tonnes"),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("method IN ('pulse', 'step')", name=op.f("ck_tracer_run_method")),
        sa.CheckConstraint(
            "section IN ('melter', 'refiner', 'melter+refiner')", name=op.f("ck_tracer_run_section")
        ),
        sa.CheckConstraint(
            "tonnes_from IN ('file', 'pull in the file', 'line log')", name=op.f("ck_tracer_run_tonnes_from")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["line.id"], name=op.f("fk_tracer_run_line_id_line")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tracer_run")),
        sa.UniqueConstraint("line_id", "run_id", name=op.f("uq_tracer_run_line_id_run_id")),
    )
    op.create_table(
        "tracer_reading",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "tracer_run_id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            nullable=False,
            comment="the run",
        ),
        sa.Column(
            "sampled_at",
            sa.DateTime(timezone=True),
            nullable=True,
            comment="empty where the file gives tonnes alone",
        ),
        sa.Column(
            "tonnes",
            sa.Double(),
            nullable=False,
            comment="drawn between tracer and sample, both at the section",
        ),
        sa.Column("tracer", sa.Double(), nullable=False),
        sa.Column("sd", sa.Double(), nullable=True, comment="standard deviation of the reading"),
        sa.Column("background", sa.Double(), nullable=True, comment="level without tracer, where stated"),
        sa.ForeignKeyConstraint(
            ["tracer_run_id"], ["tracer_run.id"], name=op.f("fk_tracer_reading_tracer_run_id_tracer_run")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tracer_reading")),
        sa.UniqueConstraint("tracer_run_id", "tonnes", name=op.f("uq_tracer_reading_tracer_run_id_tonnes")),
    )
