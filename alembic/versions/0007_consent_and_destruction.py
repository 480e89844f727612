"""Consent is asked for before recording; recordings are destroyed with a certificate."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    required = sa.Column("consent_required", sa.Boolean(), nullable=False, server_default=sa.true())
    op.add_column("audition", required)
    op.add_column("take", sa.Column("destroyed_at", sa.DateTime(timezone=True), nullable=True))
    op.create_table(
        "destructioncertificate",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("audition_id", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(80), nullable=False),
        sa.Column("reason", sa.String(300), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("audit_hash", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_destructioncertificate"),
        sa.ForeignKeyConstraint(
            ["audition_id"], ["audition.id"], name="fk_destructioncertificate_audition_id_audition"
        ),
    )
    op.create_index("ix_destructioncertificate_audition_id", "destructioncertificate", ["audition_id"])
