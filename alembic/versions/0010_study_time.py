"""When a study time began, apart from when the seal was broken: a sheet for the stand is printed between."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("sightsheet", sa.Column("study_began_at", sa.DateTime(timezone=True), nullable=True))
    op.execute("UPDATE sightsheet SET study_began_at = unsealed_at")
