"""Section reports of long rounds, worked out once; how many late findings a kept standing has seen."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "workedreport",
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("rests_on", sa.String(64), nullable=False),
        sa.Column("findings_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("findings_seen", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("pdf", sa.LargeBinary(), nullable=False),
        sa.Column("worked_out_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_workedreport_round_id_round"),
        sa.PrimaryKeyConstraint("round_id", name="pk_workedreport"),
    )
    op.add_column("workedstanding", sa.Column("findings_seen", sa.Integer(), nullable=False, server_default="0"))
