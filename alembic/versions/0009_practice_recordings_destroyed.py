"""When the recording of a practice take was destroyed."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("extrahearing", sa.Column("destroyed_at", sa.DateTime(timezone=True), nullable=True))
