"""Rounds that students hand in by a link: the deadline, more time for one, and who hears whom."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("round") as batch:
        batch.add_column(sa.Column("due_at", sa.DateTime(timezone=True), nullable=True))
        batch.add_column(sa.Column("due_zone", sa.String(64), nullable=False, server_default=""))
        batch.add_column(sa.Column("grace_min", sa.Integer(), nullable=False, server_default="0"))
        batch.add_column(sa.Column("per_candidate", sa.Integer(), nullable=True))
        batch.add_column(sa.Column("handed_in_at", sa.DateTime(timezone=True), nullable=True))
    with op.batch_alter_table("accesstoken") as batch:
        batch.add_column(sa.Column("round_id", sa.String(), nullable=True))
        batch.create_foreign_key("fk_accesstoken_round_id_round", "round", ["round_id"], ["id"])
        batch.create_index("ix_accesstoken_round_id", ["round_id"])
    op.create_table(
        "moretime",
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reason", sa.String(300), nullable=False),
        sa.Column("granted_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_moretime_candidate_id_candidate"),
        sa.PrimaryKeyConstraint("candidate_id", name="pk_moretime"),
    )
    op.create_table(
        "share",
        sa.Column("adjudicator_id", sa.String(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["adjudicator_id"], ["adjudicator.id"], name="fk_share_adjudicator_id_adjudicator"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_share_candidate_id_candidate"),
        sa.PrimaryKeyConstraint("adjudicator_id", "candidate_id", name="pk_share"),
    )
    op.create_index("ix_share_candidate_id", "share", ["candidate_id"], unique=False)
