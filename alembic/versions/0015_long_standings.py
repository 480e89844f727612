"""Standings of long rounds, worked out once and kept line by line; findings by when they came, sheets by candidate."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "workedstanding",
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("rests_on", sa.String(64), nullable=False),
        sa.Column("findings_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("worked_out_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_workedstanding_round_id_round"),
        sa.PrimaryKeyConstraint("round_id", name="pk_workedstanding"),
    )
    op.create_table(
        "standingline",
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("blind_number", sa.String(12), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_standingline_round_id_round"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_standingline_candidate_id_candidate"),
        sa.PrimaryKeyConstraint("candidate_id", name="pk_standingline"),
        sa.UniqueConstraint("round_id", "position", name="uq_standingline_round_id_position"),
        sa.UniqueConstraint("round_id", "blind_number", name="uq_standingline_round_id_blind_number"),
    )
    op.create_index("ix_findings_created_at", "findings", ["created_at"])
    op.create_index("ix_document_candidate_id", "document", ["candidate_id"])
