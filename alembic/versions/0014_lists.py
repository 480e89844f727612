"""Indexes that long lists are counted and paged by, in place of shorter ones with the same beginning.

And what a round's shares are like, kept when they are laid out; empty where they were before.
"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

LONGER = (
    ("candidate", ["round_id", "playing_order"], "ix_candidate_round_id"),
    ("take", ["candidate_id", "state", "piece_id"], "ix_take_candidate_id"),
    ("adjudicationsheet", ["candidate_id", "state", "adjudicator_id"], "ix_adjudicationsheet_candidate_id"),
    ("auditentry", ["chain", "at", "seq"], "ix_auditentry_chain"),
    ("accesstoken", ["audition_id", "role"], None),
)


def upgrade() -> None:
    for table, columns, shorter in LONGER:
        op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns)
        if shorter is not None:
            op.drop_index(shorter, table)
    op.add_column("round", sa.Column("design", sa.JSON(), nullable=False, server_default="{}"))
