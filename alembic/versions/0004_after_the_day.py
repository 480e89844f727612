"""Sight-reading sheets."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sightsheet",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("piece_id", sa.String(), nullable=False),
        sa.Column("seed", sa.String(64), nullable=False),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("unsealed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("unsealed_by", sa.String(80), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sightsheet"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_sightsheet_candidate_id_candidate"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_sightsheet_piece_id_piece"),
        sa.UniqueConstraint("candidate_id", "piece_id", name="uq_sightsheet_candidate_id_piece_id"),
    )
    op.create_index("ix_sightsheet_candidate_id", "sightsheet", ["candidate_id"])
    op.create_index("ix_sightsheet_piece_id", "sightsheet", ["piece_id"])
