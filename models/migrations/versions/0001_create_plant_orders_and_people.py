"""Create plant, orders and people."""

import sqlalchemy as sa
from alembic import op

# ruff: noqa: E501
# fmt: off
revision = '0001'
down_revision = None
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table('customer',
        sa.Column('id', BIG, nullable=False),
        sa.Column('name', sa.String(length=200), nullable=False),
        sa.Column('created_at', MOMENT, nullable=False),
        sa.PrimaryKeyConstraint('id', name='pk_customer'),
        sa.UniqueConstraint('name', name='uq_customer_name')
    )
    op.create_table('line',
        sa.Column('id', BIG, nullable=False),
        sa.Column('name', sa.String(length=40), nullable=False, comment='short name, such as L1'),
        sa.Column('plant', sa.String(length=200), nullable=False, comment='name of the works'),
        sa.Column('time_zone', sa.String(length=200), nullable=False, comment='IANA zone in which times are shown'),
        sa.Column('grade_id', sa.String(length=200), nullable=True, comment='grade made now, for sheets whose order is not known'),
        sa.Column('created_at', MOMENT, nullable=False),
        sa.PrimaryKeyConstraint('id', name='pk_line'),
        sa.UniqueConstraint('name', name='uq_line_name')
    )
    op.create_table('user_account',
        sa.Column('id', BIG, nullable=False),
        sa.Column('name', sa.String(length=200), nullable=False, comment='what is typed to sign in, lower case'),
        sa.Column('full_name', sa.String(length=200), nullable=False, comment='as printed on a dossier'),
        sa.Column('role', sa.String(length=40), nullable=False),
        sa.Column('password_hash', sa.Text(), nullable=True),
        sa.Column('pin_hash', sa.Text(), nullable=True, comment='for tablets; empty: password only'),
        sa.Column('failed_tries', sa.Integer(), nullable=False),
        sa.Column('locked_until', MOMENT, nullable=True),
        sa.Column('disabled_at', MOMENT, nullable=True),
        sa.Column('created_at', MOMENT, nullable=False),
        sa.Column('last_seen_at', MOMENT, nullable=True),
        sa.Column('sign_in_stamp', sa.String(length=40), nullable=False, comment='changes with password, PIN or disabling; ends old sessions'),
        sa.CheckConstraint("role IN ('inspector', 'quality_lead', 'claims_desk', 'administrator')", name=op.f('ck_user_account_role')),
        sa.PrimaryKeyConstraint('id', name='pk_user_account'),
        sa.UniqueConstraint('name', name='uq_user_account_name')
    )
    op.create_table('event',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('event_id', sa.String(length=200), nullable=False, comment="the plant's own number of the event"),
        sa.Column('start_at', MOMENT, nullable=False),
        sa.Column('end_at', MOMENT, nullable=True, comment='empty: a moment, or not yet over'),
        sa.Column('kind', sa.String(length=200), nullable=False),
        sa.Column('text', sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_event_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_event'),
        sa.UniqueConstraint('line_id', 'event_id', name='uq_event_line_id_event_id')
    )
    op.create_index('ix_event_line_id_start_at', 'event', ['line_id', 'start_at'])

    op.create_table('furnace_log',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('tag', sa.String(length=200), nullable=False),
        sa.Column('time', MOMENT, nullable=False),
        sa.Column('value', sa.Double(), nullable=False),
        sa.Column('unit', sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_furnace_log_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_furnace_log'),
        sa.UniqueConstraint('line_id', 'tag', 'time', name='uq_furnace_log_line_id_tag_time')
    )
    op.create_table('grade_confirmation',
        sa.Column('id', BIG, nullable=False),
        sa.Column('grade_id', sa.String(length=200), nullable=False),
        sa.Column('rule_set_sha256', sa.String(length=64), nullable=False, comment='the very text that was confirmed'),
        sa.Column('confirmed_by', BIG, nullable=False, comment='who confirmed'),
        sa.Column('confirmed_at', MOMENT, nullable=False),
        sa.Column('note', sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(['confirmed_by'], ['user_account.id'], name='fk_grade_confirmation_confirmed_by_user_account'),
        sa.PrimaryKeyConstraint('id', name='pk_grade_confirmation'),
        sa.UniqueConstraint('grade_id', 'rule_set_sha256', name='uq_grade_confirmation_grade_id_rule_set_sha256')
    )
    op.create_table('import_run',
        sa.Column('id', BIG, nullable=False),
        sa.Column('at', MOMENT, nullable=False),
        sa.Column('kind', sa.String(length=40), nullable=False, comment='plant, line-log, furnace-log, events, layout, rolls, sheets, defects'),
        sa.Column('file_name', sa.String(length=200), nullable=False),
        sa.Column('sha256', sa.String(), nullable=False, comment="of the file's bytes"),
        sa.Column('rows_read', sa.Integer(), nullable=False),
        sa.Column('rows_added', sa.Integer(), nullable=False),
        sa.Column('rows_same', sa.Integer(), nullable=False, comment='rows that were there already'),
        sa.Column('rows_refused', sa.Integer(), nullable=False),
        sa.Column('message', sa.Text(), nullable=True, comment='warnings, such as unknown columns'),
        sa.Column('user_id', BIG, nullable=True, comment='who imported, where known'),
        sa.ForeignKeyConstraint(['user_id'], ['user_account.id'], name='fk_import_run_user_id_user_account'),
        sa.PrimaryKeyConstraint('id', name='pk_import_run')
    )
    op.create_index('ix_import_run_at', 'import_run', ['at'])

    op.create_table('layout_point',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('point', sa.String(length=200), nullable=False, comment='bath_inlet, bath_outlet, lehr_inlet, inspection, cutter, ...'),
        sa.Column('distance_m_upstream_of_inspection', sa.Double(), nullable=False, comment='metres; downstream is negative'),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_layout_point_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_layout_point'),
        sa.UniqueConstraint('line_id', 'point', name='uq_layout_point_line_id_point')
    )
    op.create_table('line_log',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('time', MOMENT, nullable=False),
        sa.Column('ribbon_speed_m_per_min', sa.Double(), nullable=False),
        sa.Column('gross_width_mm', sa.Double(), nullable=True),
        sa.Column('net_width_mm', sa.Double(), nullable=True),
        sa.Column('thickness_mm', sa.Double(), nullable=True),
        sa.Column('pull_t_per_day', sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_line_log_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_line_log'),
        sa.UniqueConstraint('line_id', 'time', name='uq_line_log_line_id_time')
    )
    op.create_table('pack',
        sa.Column('id', BIG, nullable=False),
        sa.Column('label', sa.String(length=200), nullable=False, comment='what stands on the pack; pack_id in plant files'),
        sa.Column('customer_id', BIG, nullable=True, comment='empty: not sold yet'),
        sa.Column('grade_id', sa.String(length=200), nullable=True, comment='grade ordered; empty: none named'),
        sa.Column('use', sa.String(length=40), nullable=False, comment='stock or cut_size'),
        sa.Column('created_at', MOMENT, nullable=False),
        sa.Column('shipped_at', MOMENT, nullable=True, comment='empty: still in the yard'),
        sa.Column('destination', sa.String(length=200), nullable=True),
        sa.CheckConstraint("use IN ('stock', 'cut_size')", name=op.f('ck_pack_use')),
        sa.ForeignKeyConstraint(['customer_id'], ['customer.id'], name='fk_pack_customer_id_customer'),
        sa.PrimaryKeyConstraint('id', name='pk_pack'),
        sa.UniqueConstraint('label', name='uq_pack_label')
    )
    op.create_index('ix_pack_customer_id', 'pack', ['customer_id'])
    op.create_index('ix_pack_shipped_at', 'pack', ['shipped_at'])

    op.create_table('plant_figures',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('valid_from', MOMENT, nullable=False, comment='first moment for which these figures hold'),
        sa.Column('melter_mass_t', sa.Double(), nullable=False, comment='glass in the melter, tonnes'),
        sa.Column('melter_plug_fraction', sa.Double(), nullable=False, comment="share of the melter's mean residence in plug flow"),
        sa.Column('melter_tanks_in_series', sa.Double(), nullable=False, comment='stirred tanks that follow the plug flow'),
        sa.Column('refiner_mass_t', sa.Double(), nullable=False, comment='glass in the refiner, tonnes'),
        sa.Column('refiner_plug_fraction', sa.Double(), nullable=False),
        sa.Column('refiner_tanks_in_series', sa.Double(), nullable=False),
        sa.Column('density_t_per_m3', sa.Double(), nullable=False, comment='density of the cold glass'),
        sa.Column('gross_width_mm', sa.Double(), nullable=False, comment='untrimmed ribbon'),
        sa.Column('net_width_mm', sa.Double(), nullable=False, comment='ribbon between the trims'),
        sa.Column('melter_mass_rel_tolerance', sa.Double(), nullable=True, comment='relative, 0.04 is 4 %'),
        sa.Column('melter_plug_tolerance', sa.Double(), nullable=True, comment='absolute, on the plug fraction'),
        sa.Column('melter_tanks_low', sa.Double(), nullable=True),
        sa.Column('melter_tanks_high', sa.Double(), nullable=True),
        sa.Column('refiner_mass_rel_tolerance', sa.Double(), nullable=True),
        sa.Column('recorded_at', MOMENT, nullable=False, comment='when the row was written'),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_plant_figures_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_plant_figures'),
        sa.UniqueConstraint('line_id', 'valid_from', name='uq_plant_figures_line_id_valid_from')
    )
    op.create_table('plant_grade',
        sa.Column('id', BIG, nullable=False),
        sa.Column('grade_id', sa.String(length=200), nullable=False),
        sa.Column('version', sa.String(length=200), nullable=False),
        sa.Column('toml', sa.Text(), nullable=False, comment='the rule set as text'),
        sa.Column('sha256', sa.String(length=64), nullable=False),
        sa.Column('written_by', BIG, nullable=True, comment='who wrote it'),
        sa.Column('written_at', MOMENT, nullable=False),
        sa.Column('current', sa.Boolean(), nullable=False, comment='the version used for new verdicts'),
        sa.ForeignKeyConstraint(['written_by'], ['user_account.id'], name='fk_plant_grade_written_by_user_account'),
        sa.PrimaryKeyConstraint('id', name='pk_plant_grade'),
        sa.UniqueConstraint('grade_id', 'version', name='uq_plant_grade_grade_id_version')
    )
    op.create_table('roll',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('name', sa.String(length=200), nullable=False),
        sa.Column('diameter_mm', sa.Double(), nullable=False),
        sa.Column('distance_m_upstream_of_inspection', sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_roll_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_roll'),
        sa.UniqueConstraint('line_id', 'name', name='uq_roll_line_id_name')
    )
    op.create_table('shift',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('name', sa.String(length=40), nullable=False, comment='early, late, night'),
        sa.Column('crew', sa.String(length=40), nullable=False, comment='which crew: A, B, C, D'),
        sa.Column('start_at', MOMENT, nullable=False),
        sa.Column('end_at', MOMENT, nullable=False),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_shift_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_shift'),
        sa.UniqueConstraint('line_id', 'start_at', name='uq_shift_line_id_start_at')
    )
