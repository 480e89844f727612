"""An index in the order waiting jobs are claimed; it begins with the state, so that one's own is not needed."""

from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_job_state_priority_created_at_id", "job", ["state", "priority", "created_at", "id"])
    op.drop_index("ix_job_state", "job")
