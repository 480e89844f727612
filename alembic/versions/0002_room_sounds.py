"""What the recording room sounds before a take: tuning note, count-in, metronome."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("audition", sa.Column("room_sounds", sa.JSON(), nullable=False, server_default=sa.text("'{}'")))
