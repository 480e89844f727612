"""The listening design: orders of hearing, practice takes and hidden repeats, and the sheets written for these."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("round") as batch:
        batch.add_column(sa.Column("listening_order", sa.String(), nullable=False, server_default="same"))
        batch.add_column(sa.Column("hidden_repeats", sa.Integer(), nullable=False, server_default="0"))
        batch.add_column(sa.Column("hearing_orders", sa.JSON(), nullable=False, server_default=sa.text("'{}'")))
        batch.create_check_constraint("ck_round_listening_order_known", "listening_order IN ('same', 'own')")
    op.create_table(
        "extrahearing",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("blind_number", sa.String(12), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=True),
        sa.Column("secret", sa.String(), nullable=False),
        sa.Column("piece_id", sa.String(), nullable=True),
        sa.Column("take_id", sa.String(), nullable=True),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("playback_sha256", sa.String(64), nullable=False),
        sa.Column("duration_sec", sa.Float(), nullable=False),
        sa.Column("peaks", sa.JSON(), nullable=False),
        sa.Column("agreed", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('practice', 'repeat')", name="ck_extrahearing_kind_known"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_extrahearing_candidate_id_candidate"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_extrahearing_piece_id_piece"),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_extrahearing_round_id_round"),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_extrahearing_take_id_take"),
        sa.PrimaryKeyConstraint("id", name="pk_extrahearing"),
        sa.UniqueConstraint("round_id", "blind_number", name="uq_extrahearing_round_id_blind_number"),
    )
    op.create_index("ix_extrahearing_round_id", "extrahearing", ["round_id"], unique=False)
    op.create_table(
        "extrasheet",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("adjudicator_id", sa.String(), nullable=False),
        sa.Column("extra_id", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("recused", sa.Boolean(), nullable=False),
        sa.Column("draft", sa.JSON(), nullable=False),
        sa.Column("versions", sa.JSON(), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("state IN ('draft', 'submitted')", name="ck_extrasheet_state_known"),
        sa.ForeignKeyConstraint(
            ["adjudicator_id"], ["adjudicator.id"], name="fk_extrasheet_adjudicator_id_adjudicator"
        ),
        sa.ForeignKeyConstraint(["extra_id"], ["extrahearing.id"], name="fk_extrasheet_extra_id_extrahearing"),
        sa.PrimaryKeyConstraint("id", name="pk_extrasheet"),
        sa.UniqueConstraint("adjudicator_id", "extra_id", name="uq_extrasheet_adjudicator_id_extra_id"),
    )
    op.create_index("ix_extrasheet_adjudicator_id", "extrasheet", ["adjudicator_id"], unique=False)
    op.create_index("ix_extrasheet_extra_id", "extrasheet", ["extra_id"], unique=False)
