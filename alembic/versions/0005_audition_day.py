"""The audition day: rooms, turns, restarts, absences, causes of voiding, marks carried over, accommodations."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

MOMENTS = ("planned_at", "check_in_by", "checked_in_at", "called_at", "entered_at", "left_at")


def upgrade() -> None:
    op.create_table(
        "recordingroom",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("audition_id", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(80), nullable=False),
        sa.ForeignKeyConstraint(["audition_id"], ["audition.id"], name="fk_recordingroom_audition_id_audition"),
        sa.PrimaryKeyConstraint("id", name="pk_recordingroom"),
    )
    op.create_index("ix_recordingroom_audition_id", "recordingroom", ["audition_id"])
    op.create_table(
        "turn",
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("room_id", sa.String(), nullable=True),
        sa.Column("place", sa.Integer(), nullable=False),
        *(sa.Column(moment, sa.DateTime(timezone=True), nullable=True) for moment in MOMENTS),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_turn_candidate_id_candidate"),
        sa.ForeignKeyConstraint(["room_id"], ["recordingroom.id"], name="fk_turn_room_id_recordingroom"),
        sa.PrimaryKeyConstraint("candidate_id", name="pk_turn"),
    )
    op.create_index("ix_turn_room_id", "turn", ["room_id"])
    op.create_table(
        "restart",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("piece_id", sa.String(), nullable=False),
        sa.Column("counted_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_restart_candidate_id_candidate"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_restart_piece_id_piece"),
        sa.PrimaryKeyConstraint("id", name="pk_restart"),
    )
    op.create_index("ix_restart_candidate_id", "restart", ["candidate_id"])
    op.create_table(
        "absence",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("adjudicator_id", sa.String(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("reason", sa.String(300), nullable=False),
        sa.Column("noted_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["adjudicator_id"], ["adjudicator.id"], name="fk_absence_adjudicator_id_adjudicator"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_absence_candidate_id_candidate"),
        sa.PrimaryKeyConstraint("id", name="pk_absence"),
        sa.UniqueConstraint("adjudicator_id", "candidate_id", name="uq_absence_adjudicator_id_candidate_id"),
    )
    op.create_index("ix_absence_adjudicator_id", "absence", ["adjudicator_id"])
    op.create_index("ix_absence_candidate_id", "absence", ["candidate_id"])
    with op.batch_alter_table("round") as batch:
        batch.add_column(sa.Column("day", sa.JSON(), nullable=False, server_default=sa.text("'{}'")))
        batch.add_column(sa.Column("carried_from", sa.String(), nullable=True))
        batch.add_column(sa.Column("carry_percent", sa.Integer(), nullable=False, server_default="0"))
        batch.create_foreign_key("fk_round_carried_from_round", "round", ["carried_from"], ["id"])
    with op.batch_alter_table("take") as batch:
        batch.add_column(sa.Column("void_cause", sa.String(20), nullable=False, server_default=""))
        batch.create_check_constraint(
            "ck_take_void_cause_known", "void_cause IN ('', 'equipment', 'noise', 'injury', 'other')"
        )
    for table in ("accesslink", "accesstoken"):
        with op.batch_alter_table(table) as batch:
            batch.add_column(sa.Column("room_id", sa.String(), nullable=True))
            batch.create_foreign_key(f"fk_{table}_room_id_recordingroom", "recordingroom", ["room_id"], ["id"])
    op.add_column("entry", sa.Column("extra_time_percent", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("entry", sa.Column("enlarged_music", sa.Boolean(), nullable=False, server_default=sa.false()))
