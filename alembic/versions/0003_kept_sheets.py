"""Printed sheets are kept as they were drawn; a student's private link knows whose it is."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "printedmusic",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_printedmusic"),
    )
    op.create_table(
        "printedmodel",
        sa.Column("document_id", sa.String(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("document_id", name="pk_printedmodel"),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name="fk_printedmodel_document_id_document"),
    )
    with op.batch_alter_table("accesstoken") as table:
        table.add_column(sa.Column("entry_id", sa.String(), nullable=True))
        table.create_foreign_key("fk_accesstoken_entry_id_entry", "entry", ["entry_id"], ["id"])
        table.create_index("ix_accesstoken_entry_id", ["entry_id"])
