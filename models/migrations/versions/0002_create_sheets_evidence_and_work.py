"""Create sheets, evidence and work."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

# ruff: noqa: E501
# fmt: off
revision = '0002'
down_revision = '0001'
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
MOMENT = sa.DateTime(timezone=True)
JSON_VALUE = sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")


def upgrade() -> None:
    op.create_table('audit_head',
        sa.Column('id', BIG, autoincrement=False, nullable=False, comment='always 1'),
        sa.Column('entries', BIG, nullable=False, comment='number of the last entry'),
        sa.Column('hash', sa.String(length=64), nullable=False, comment='hash of the last entry'),
        sa.PrimaryKeyConstraint('id', name='pk_audit_head')
    )
    op.create_table('episode_notice',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line'),
        sa.Column('kind', sa.String(length=40), nullable=False),
        sa.Column('x_lo_mm', sa.Double(), nullable=False),
        sa.Column('x_hi_mm', sa.Double(), nullable=False),
        sa.Column('from_m', sa.Double(), nullable=False, comment='ribbon metre at which it was first seen'),
        sa.Column('to_m', sa.Double(), nullable=False),
        sa.Column('seen_start', MOMENT, nullable=False),
        sa.Column('seen_end', MOMENT, nullable=False),
        sa.Column('p_value', sa.Double(), nullable=False),
        sa.Column('result', JSON_VALUE, nullable=False, comment='the traced episode as in the trace result'),
        sa.Column('noticed_at', MOMENT, nullable=False),
        sa.Column('updated_at', MOMENT, nullable=False),
        sa.Column('closed_at', MOMENT, nullable=True, comment='empty: still going on or not acknowledged'),
        sa.Column('acknowledged_at', MOMENT, nullable=True),
        sa.Column('acknowledged_by', BIG, nullable=True, comment='who has seen it'),
        sa.Column('note', sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(['acknowledged_by'], ['user_account.id'], name='fk_episode_notice_acknowledged_by_user_account'),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_episode_notice_line_id_line'),
        sa.PrimaryKeyConstraint('id', name='pk_episode_notice')
    )
    op.create_index('ix_episode_notice_line_id_closed_at', 'episode_notice', ['line_id', 'closed_at'])

    op.create_table('sheet',
        sa.Column('id', BIG, nullable=False),
        sa.Column('label', sa.String(length=200), nullable=False, comment='sheet_id in plant files'),
        sa.Column('line_id', BIG, nullable=False, comment='the line that made it'),
        sa.Column('pack_id', BIG, nullable=True, comment='empty: not packed'),
        sa.Column('cut_at', MOMENT, nullable=False, comment="as stamped by the line's clock, which may step"),
        sa.Column('ribbon_start_m', sa.Double(), nullable=False, comment='ribbon metre of the leading edge'),
        sa.Column('x_left_mm', sa.Double(), nullable=False, comment="left edge, from the ribbon's left gross edge"),
        sa.Column('length_mm', sa.Double(), nullable=False, comment='along the ribbon'),
        sa.Column('width_mm', sa.Double(), nullable=False, comment='across the ribbon'),
        sa.Column('thickness_mm', sa.Double(), nullable=False),
        sa.Column('grade_id', sa.String(length=200), nullable=True, comment="grade it is cut for; a pack's order goes before"),
        sa.Column('answers', JSON_VALUE, nullable=True, comment='what an inspector answered to the questions of a grade, by question name'),
        sa.Column('optical_angle_deg', sa.Double(), nullable=True, comment='where distortion was first seen'),
        sa.Column('state', sa.String(length=40), nullable=False),
        sa.Column('taken_by', BIG, nullable=True, comment='inspector who has it in work'),
        sa.Column('taken_at', MOMENT, nullable=True),
        sa.Column('inspected_by', BIG, nullable=True, comment='inspector who finished it'),
        sa.Column('inspected_at', MOMENT, nullable=True, comment='when inspection was finished'),
        sa.Column('shift_id', BIG, nullable=True, comment='shift in which it was inspected'),
        sa.CheckConstraint("state IN ('waiting', 'in_work', 'finished', 'recorded', 'passed_by')", name=op.f('ck_sheet_state')),
        sa.ForeignKeyConstraint(['inspected_by'], ['user_account.id'], name='fk_sheet_inspected_by_user_account'),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_sheet_line_id_line'),
        sa.ForeignKeyConstraint(['pack_id'], ['pack.id'], name='fk_sheet_pack_id_pack'),
        sa.ForeignKeyConstraint(['shift_id'], ['shift.id'], name='fk_sheet_shift_id_shift'),
        sa.ForeignKeyConstraint(['taken_by'], ['user_account.id'], name='fk_sheet_taken_by_user_account'),
        sa.PrimaryKeyConstraint('id', name='pk_sheet'),
        sa.UniqueConstraint('label', name='uq_sheet_label')
    )
    op.create_index('ix_sheet_line_id_inspected_at', 'sheet', ['line_id', 'inspected_at'])
    op.create_index('ix_sheet_line_id_ribbon_start_m', 'sheet', ['line_id', 'ribbon_start_m'])
    op.create_index('ix_sheet_line_id_state_ribbon_start_m', 'sheet', ['line_id', 'state', 'ribbon_start_m'])
    op.create_index('ix_sheet_pack_id', 'sheet', ['pack_id'])
    op.create_index('ix_sheet_shift_id', 'sheet', ['shift_id'])

    op.create_table('audit_entry',
        sa.Column('id', BIG, autoincrement=False, nullable=False, comment='place in the chain, from 1'),
        sa.Column('at', MOMENT, nullable=False),
        sa.Column('user_id', BIG, nullable=True, comment='who; empty: the program itself'),
        sa.Column('who', sa.String(length=200), nullable=False, comment='name as it was then'),
        sa.Column('origin', sa.String(length=200), nullable=False, comment='from where: tablet address, command line, import file'),
        sa.Column('action', sa.String(length=40), nullable=False, comment='such as find.dismiss'),
        sa.Column('subject_kind', sa.String(length=40), nullable=False, comment='table of the record acted on'),
        sa.Column('subject_id', sa.Integer(), nullable=True),
        sa.Column('sheet_id', BIG, nullable=True, comment='the sheet it concerns, for its history'),
        sa.Column('details', sa.Text(), nullable=False, comment='canonical JSON; text, so that its hash is stable'),
        sa.Column('previous_hash', sa.String(length=64), nullable=False),
        sa.Column('hash', sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(['sheet_id'], ['sheet.id'], name='fk_audit_entry_sheet_id_sheet'),
        sa.ForeignKeyConstraint(['user_id'], ['user_account.id'], name='fk_audit_entry_user_id_user_account'),
        sa.PrimaryKeyConstraint('id', name='pk_audit_entry'),
        sa.UniqueConstraint('hash', name='uq_audit_entry_hash')
    )
    op.create_index('ix_audit_entry_at', 'audit_entry', ['at'])
    op.create_index('ix_audit_entry_sheet_id', 'audit_entry', ['sheet_id'])
    op.create_index('ix_audit_entry_subject_kind_subject_id', 'audit_entry', ['subject_kind', 'subject_id'])

    op.create_table('claim',
        sa.Column('id', BIG, nullable=False),
        sa.Column('number', sa.String(length=200), nullable=False, comment='our reference'),
        sa.Column('customer_id', BIG, nullable=True, comment='who complains'),
        sa.Column('sheet_id', BIG, nullable=True, comment='the sheet, where one is named'),
        sa.Column('pack_id', BIG, nullable=True, comment='the pack, where one is named'),
        sa.Column('received_at', MOMENT, nullable=False),
        sa.Column('says', sa.Text(), nullable=False, comment='what the customer says they see'),
        sa.Column('state', sa.String(length=40), nullable=False),
        sa.Column('answer', sa.Text(), nullable=True),
        sa.Column('answered_at', MOMENT, nullable=True),
        sa.Column('recorded_by', BIG, nullable=True, comment='who entered it'),
        sa.Column('answered_by', BIG, nullable=True, comment='who answered'),
        sa.CheckConstraint("state IN ('open', 'answered')", name=op.f('ck_claim_state')),
        sa.ForeignKeyConstraint(['answered_by'], ['user_account.id'], name='fk_claim_answered_by_user_account'),
        sa.ForeignKeyConstraint(['customer_id'], ['customer.id'], name='fk_claim_customer_id_customer'),
        sa.ForeignKeyConstraint(['pack_id'], ['pack.id'], name='fk_claim_pack_id_pack'),
        sa.ForeignKeyConstraint(['recorded_by'], ['user_account.id'], name='fk_claim_recorded_by_user_account'),
        sa.ForeignKeyConstraint(['sheet_id'], ['sheet.id'], name='fk_claim_sheet_id_sheet'),
        sa.PrimaryKeyConstraint('id', name='pk_claim'),
        sa.UniqueConstraint('number', name='uq_claim_number')
    )
    op.create_index('ix_claim_customer_id', 'claim', ['customer_id'])
    op.create_index('ix_claim_pack_id', 'claim', ['pack_id'])
    op.create_index('ix_claim_sheet_id', 'claim', ['sheet_id'])

    op.create_table('photo',
        sa.Column('id', BIG, nullable=False),
        sa.Column('sheet_id', BIG, nullable=False, comment='the sheet it shows'),
        sa.Column('sha256', sa.String(length=64), nullable=False, comment='of the original bytes; name in the store'),
        sa.Column('name', sa.String(length=200), nullable=False, comment='file name as it came'),
        sa.Column('size_bytes', sa.Integer(), nullable=False),
        sa.Column('setup', JSON_VALUE, nullable=True, comment='set-up as given with the photo'),
        sa.Column('state', sa.String(length=40), nullable=False),
        sa.Column('message', sa.Text(), nullable=True, comment='one sentence where inspection failed'),
        sa.Column('added_at', MOMENT, nullable=False),
        sa.Column('added_by', BIG, nullable=True, comment='who added it'),
        sa.Column('run', sa.Integer(), nullable=False, comment='latest inspection of this photo, 0 before the first; finds carry it'),
        sa.Column('inspected_at', MOMENT, nullable=True),
        sa.Column('lighting', sa.String(length=40), nullable=True),
        sa.Column('width_px', sa.Integer(), nullable=True, comment='upright'),
        sa.Column('height_px', sa.Integer(), nullable=True, comment='upright'),
        sa.Column('mm_per_px', sa.Double(), nullable=True),
        sa.Column('scale_source', sa.String(length=40), nullable=True, comment='tags or given'),
        sa.Column('scale_residual_mm', sa.Double(), nullable=True),
        sa.Column('smallest_sized_mm', sa.Double(), nullable=True, comment='below this a find is flagged, not sized'),
        sa.Column('covered_mm', JSON_VALUE, nullable=True, comment='[x0, y0, x1, y1] in sheet mm'),
        sa.Column('covered_fraction', sa.Double(), nullable=True),
        sa.Column('result', JSON_VALUE, nullable=True, comment='the rest of the inspection: frame, blur, flags, messages, timings'),
        sa.CheckConstraint("state IN ('waiting', 'inspected', 'failed')", name=op.f('ck_photo_state')),
        sa.ForeignKeyConstraint(['added_by'], ['user_account.id'], name='fk_photo_added_by_user_account'),
        sa.ForeignKeyConstraint(['sheet_id'], ['sheet.id'], name='fk_photo_sheet_id_sheet'),
        sa.PrimaryKeyConstraint('id', name='pk_photo'),
        sa.UniqueConstraint('sheet_id', 'sha256', name='uq_photo_sheet_id_sha256')
    )
    op.create_index('ix_photo_sha256', 'photo', ['sha256'])

    op.create_table('verdict',
        sa.Column('id', BIG, nullable=False),
        sa.Column('sheet_id', BIG, nullable=False, comment='the sheet'),
        sa.Column('grade_id', sa.String(length=200), nullable=False, comment='grade ordered'),
        sa.Column('use', sa.String(length=40), nullable=False),
        sa.Column('rule_set_version', sa.String(length=200), nullable=False),
        sa.Column('rule_set_sha256', sa.String(length=64), nullable=False, comment="of the rule set's file as it was then"),
        sa.Column('outcome', sa.String(length=40), nullable=False),
        sa.Column('downgrade_to', sa.String(length=200), nullable=True, comment='best grade that the sheet meets'),
        sa.Column('close_call', sa.Boolean(), nullable=False, comment='a size within its uncertainty of a limit'),
        sa.Column('reasons', JSON_VALUE, nullable=False, comment='clause by clause, for the ordered grade'),
        sa.Column('ladder', JSON_VALUE, nullable=True, comment='outcome and reasons of each grade tried'),
        sa.Column('defects', JSON_VALUE, nullable=False, comment='the defects it saw, with their row ids'),
        sa.Column('sheet_as_judged', JSON_VALUE, nullable=False, comment='its dimensions, answers and the like'),
        sa.Column('coverage', JSON_VALUE, nullable=False, comment='what was photographed, how finely, what is missing'),
        sa.Column('decided_at', MOMENT, nullable=False),
        sa.Column('decided_by', BIG, nullable=True, comment='who finished the sheet'),
        sa.Column('supersedes_id', BIG, nullable=True, comment='the earlier verdict'),
        sa.Column('current', sa.Boolean(), nullable=False, comment='the verdict that holds now'),
        sa.CheckConstraint("outcome IN ('accept', 'downgrade', 'reject', 'not_judged')", name=op.f('ck_verdict_outcome')),
        sa.CheckConstraint("use IN ('stock', 'cut_size')", name=op.f('ck_verdict_use')),
        sa.ForeignKeyConstraint(['decided_by'], ['user_account.id'], name='fk_verdict_decided_by_user_account'),
        sa.ForeignKeyConstraint(['sheet_id'], ['sheet.id'], name='fk_verdict_sheet_id_sheet'),
        sa.ForeignKeyConstraint(['supersedes_id'], ['verdict.id'], name='fk_verdict_supersedes_id_verdict'),
        sa.PrimaryKeyConstraint('id', name='pk_verdict'),
        sa.UniqueConstraint('supersedes_id', name='uq_verdict_supersedes_id')
    )
    op.create_index('ix_verdict_decided_at', 'verdict', ['decided_at'])
    op.create_index('ix_verdict_sheet_id', 'verdict', ['sheet_id'])

    op.create_table('find',
        sa.Column('id', BIG, nullable=False),
        sa.Column('photo_id', BIG, nullable=False, comment='the photo'),
        sa.Column('run', sa.Integer(), nullable=False, comment='inspection of the photo it belongs to; see photo.run'),
        sa.Column('number', sa.Integer(), nullable=False, comment='as drawn on the photo, from 1'),
        sa.Column('kind', sa.String(length=40), nullable=False),
        sa.Column('not_glass', sa.String(length=40), nullable=True, comment='dust, lint, marker, ...; empty: in the glass'),
        sa.Column('x_mm', sa.Double(), nullable=True, comment='sheet mm; empty without scale'),
        sa.Column('y_mm', sa.Double(), nullable=True),
        sa.Column('x_px', sa.Double(), nullable=False),
        sa.Column('y_px', sa.Double(), nullable=False),
        sa.Column('length_mm', sa.Double(), nullable=True, comment='nucleus; empty below the smallest size'),
        sa.Column('width_mm', sa.Double(), nullable=True),
        sa.Column('halo_mm', sa.Double(), nullable=True),
        sa.Column('length_sd_mm', sa.Double(), nullable=True, comment='standard uncertainty of the length'),
        sa.Column('width_sd_mm', sa.Double(), nullable=True),
        sa.Column('length_px', sa.Double(), nullable=True),
        sa.Column('width_px', sa.Double(), nullable=True),
        sa.Column('angle_deg', sa.Double(), nullable=True),
        sa.Column('path_mm', JSON_VALUE, nullable=True),
        sa.Column('path_px', JSON_VALUE, nullable=True),
        sa.Column('score', sa.Double(), nullable=False),
        sa.Column('kind_scores', JSON_VALUE, nullable=True),
        sa.Column('not_glass_scores', JSON_VALUE, nullable=True),
        sa.Column('contrast', sa.Double(), nullable=True),
        sa.Column('box_px', JSON_VALUE, nullable=True, comment='[x, y, w, h]'),
        sa.Column('flags', JSON_VALUE, nullable=True),
        sa.Column('same_as_id', BIG, nullable=True, comment='the same spot in an earlier photo of the sheet; it counts once'),
        sa.ForeignKeyConstraint(['photo_id'], ['photo.id'], name='fk_find_photo_id_photo'),
        sa.ForeignKeyConstraint(['same_as_id'], ['find.id'], name='fk_find_same_as_id_find'),
        sa.PrimaryKeyConstraint('id', name='pk_find'),
        sa.UniqueConstraint('photo_id', 'run', 'number', name='uq_find_photo_id_run_number')
    )
    op.create_table('job',
        sa.Column('id', BIG, nullable=False),
        sa.Column('kind', sa.String(length=40), nullable=False, comment='which worker: inspect_photo, ...'),
        sa.Column('payload', JSON_VALUE, nullable=False),
        sa.Column('photo_id', BIG, nullable=True, comment='the photo it is about'),
        sa.Column('state', sa.String(length=40), nullable=False),
        sa.Column('tries', sa.Integer(), nullable=False),
        sa.Column('max_tries', sa.Integer(), nullable=False),
        sa.Column('not_before', MOMENT, nullable=False, comment='earliest moment of the next try'),
        sa.Column('created_at', MOMENT, nullable=False),
        sa.Column('worker', sa.String(length=200), nullable=True, comment='who has claimed it'),
        sa.Column('heartbeat_at', MOMENT, nullable=True, comment='last sign of life of the worker'),
        sa.Column('finished_at', MOMENT, nullable=True),
        sa.Column('progress', sa.Double(), nullable=False, comment='0 to 1'),
        sa.Column('message', sa.Text(), nullable=True, comment='what it is doing, or why it gave up'),
        sa.CheckConstraint("state IN ('waiting', 'running', 'done', 'failed')", name=op.f('ck_job_state')),
        sa.ForeignKeyConstraint(['photo_id'], ['photo.id'], name='fk_job_photo_id_photo'),
        sa.PrimaryKeyConstraint('id', name='pk_job')
    )
    op.create_index('ix_job_photo_id', 'job', ['photo_id'])
    op.create_index('ix_job_state_not_before', 'job', ['state', 'not_before'])

    op.create_table('defect',
        sa.Column('id', BIG, nullable=False),
        sa.Column('line_id', BIG, nullable=False, comment='the line; copied from the sheet for maps'),
        sa.Column('sheet_id', BIG, nullable=False, comment='the sheet'),
        sa.Column('number', sa.Integer(), nullable=False, comment='on its sheet, from 1; the same in all revisions'),
        sa.Column('find_id', BIG, nullable=True, comment='the find it came from'),
        sa.Column('source', sa.String(length=40), nullable=False, comment='photo, hand or import'),
        sa.Column('kind', sa.String(length=40), nullable=False),
        sa.Column('x_mm', sa.Double(), nullable=True, comment='sheet mm across; empty: photo without scale'),
        sa.Column('y_mm', sa.Double(), nullable=True, comment='sheet mm along, from the leading edge'),
        sa.Column('length_mm', sa.Double(), nullable=True, comment='nucleus, or arc length of a scratch; empty: not sized'),
        sa.Column('width_mm', sa.Double(), nullable=True),
        sa.Column('halo_mm', sa.Double(), nullable=True),
        sa.Column('length_sd_mm', sa.Double(), nullable=True),
        sa.Column('detection_distance_mm', sa.Double(), nullable=True, comment='from how far it is seen, as entered'),
        sa.Column('angle_deg', sa.Double(), nullable=True),
        sa.Column('path_mm', JSON_VALUE, nullable=True),
        sa.Column('ribbon_m', sa.Double(), nullable=True, comment='ribbon_start_m + y_mm / 1000'),
        sa.Column('ribbon_x_mm', sa.Double(), nullable=True, comment='x_left_mm + x_mm'),
        sa.Column('found_at', MOMENT, nullable=False, comment='when it was seen, as stamped'),
        sa.Column('note', sa.Text(), nullable=True),
        sa.Column('recorded_at', MOMENT, nullable=False, comment='when this row was written'),
        sa.Column('recorded_by', BIG, nullable=True, comment='who wrote this row; empty: an import'),
        sa.Column('supersedes_id', BIG, nullable=True, comment='the row this one corrects'),
        sa.Column('withdrawn', sa.Boolean(), nullable=False, comment='this revision says: it is not a defect'),
        sa.Column('current', sa.Boolean(), nullable=False, comment='counts today'),
        sa.CheckConstraint("source IN ('photo', 'hand', 'import')", name=op.f('ck_defect_source')),
        sa.ForeignKeyConstraint(['find_id'], ['find.id'], name='fk_defect_find_id_find'),
        sa.ForeignKeyConstraint(['line_id'], ['line.id'], name='fk_defect_line_id_line'),
        sa.ForeignKeyConstraint(['recorded_by'], ['user_account.id'], name='fk_defect_recorded_by_user_account'),
        sa.ForeignKeyConstraint(['sheet_id'], ['sheet.id'], name='fk_defect_sheet_id_sheet'),
        sa.ForeignKeyConstraint(['supersedes_id'], ['defect.id'], name='fk_defect_supersedes_id_defect'),
        sa.PrimaryKeyConstraint('id', name='pk_defect'),
        sa.UniqueConstraint('supersedes_id', name='uq_defect_supersedes_id')
    )
    op.create_index('ix_defect_find_id', 'defect', ['find_id'])
    op.create_index('ix_defect_found', 'defect', ['line_id', 'current', 'found_at', 'kind'])
    op.create_index('ix_defect_ribbon', 'defect', ['line_id', 'current', 'ribbon_m', 'kind', 'ribbon_x_mm', 'length_mm'])
    op.create_index('ix_defect_sheet_id', 'defect', ['sheet_id'])

    op.create_table('find_decision',
        sa.Column('id', BIG, nullable=False),
        sa.Column('find_id', BIG, nullable=False, comment='the find'),
        sa.Column('decision', sa.String(length=40), nullable=False),
        sa.Column('defect_id', BIG, nullable=True, comment='the defect row written with it; empty when dismissed'),
        sa.Column('reason', sa.Text(), nullable=True),
        sa.Column('decided_at', MOMENT, nullable=False),
        sa.Column('decided_by', BIG, nullable=True, comment='who decided'),
        sa.Column('supersedes_id', BIG, nullable=True, comment='the earlier word'),
        sa.Column('current', sa.Boolean(), nullable=False, comment='the word that holds now'),
        sa.CheckConstraint("decision IN ('confirmed', 'changed', 'dismissed')", name=op.f('ck_find_decision_decision')),
        sa.ForeignKeyConstraint(['decided_by'], ['user_account.id'], name='fk_find_decision_decided_by_user_account'),
        sa.ForeignKeyConstraint(['defect_id'], ['defect.id'], name='fk_find_decision_defect_id_defect'),
        sa.ForeignKeyConstraint(['find_id'], ['find.id'], name='fk_find_decision_find_id_find'),
        sa.ForeignKeyConstraint(['supersedes_id'], ['find_decision.id'], name='fk_find_decision_supersedes_id_find_decision'),
        sa.PrimaryKeyConstraint('id', name='pk_find_decision'),
        sa.UniqueConstraint('supersedes_id', name='uq_find_decision_supersedes_id')
    )
    op.create_index('ix_find_decision_find_id', 'find_decision', ['find_id'])
