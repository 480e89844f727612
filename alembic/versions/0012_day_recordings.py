"""A day kept on one recorder: the long file, and the stretches it is cut into."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "dayrecording",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("room_id", sa.String(), nullable=True),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("container", sa.String(20), nullable=False),
        sa.Column("duration_sec", sa.Float(), nullable=False),
        sa.Column("sample_rate_hz", sa.Integer(), nullable=False),
        sa.Column("channels", sa.Integer(), nullable=False),
        sa.Column("peaks", sa.JSON(), nullable=False),
        sa.Column("notes", sa.JSON(), nullable=False),
        sa.Column("cut_by", sa.String(40), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["room_id"], ["recordingroom.id"], name="fk_dayrecording_room_id_recordingroom"),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_dayrecording_round_id_round"),
        sa.PrimaryKeyConstraint("id", name="pk_dayrecording"),
    )
    op.create_index("ix_dayrecording_round_id", "dayrecording", ["round_id"], unique=False)
    op.create_table(
        "daycut",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("recording_id", sa.String(), nullable=False),
        sa.Column("start_sec", sa.Float(), nullable=False),
        sa.Column("end_sec", sa.Float(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("fits", sa.JSON(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=True),
        sa.Column("piece_id", sa.String(), nullable=True),
        sa.Column("word", sa.String(20), nullable=False),
        sa.Column("repeated", sa.Boolean(), nullable=False),
        sa.Column("by_hand", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("take_id", sa.String(32), nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('playing', 'talk', 'noise')", name="ck_daycut_kind_known"),
        sa.CheckConstraint("state IN ('proposed', 'confirmed', 'set aside')", name="ck_daycut_state_known"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_daycut_candidate_id_candidate"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_daycut_piece_id_piece"),
        sa.ForeignKeyConstraint(["recording_id"], ["dayrecording.id"], name="fk_daycut_recording_id_dayrecording"),
        sa.PrimaryKeyConstraint("id", name="pk_daycut"),
        sa.UniqueConstraint("take_id", name="uq_daycut_take_id"),
    )
    op.create_index("ix_daycut_recording_id", "daycut", ["recording_id"], unique=False)
