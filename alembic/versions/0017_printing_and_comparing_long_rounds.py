"""What workers print of long rounds, and long rounds compared with what was frozen."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "workedcomparison",
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("rests_on", sa.String(64), nullable=False),
        sa.Column("findings_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("findings_seen", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("worked_out_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_workedcomparison_round_id_round"),
        sa.PrimaryKeyConstraint("round_id", name="pk_workedcomparison"),
    )
    op.create_table(
        "workedpaper",
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("rests_on", sa.String(64), nullable=False),
        sa.Column("findings_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("findings_seen", sa.Integer(), nullable=False),
        sa.Column("sheets", sa.Integer(), nullable=False),
        sa.Column("pdf", sa.LargeBinary(), nullable=False),
        sa.Column("worked_out_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_workedpaper_round_id_round"),
        sa.PrimaryKeyConstraint("round_id", "kind", name="pk_workedpaper"),
    )
