"""A second person: who confirms tabulations and spot-checks sheets typed in from paper."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for table in ("accesslink", "accesstoken"):
        with op.batch_alter_table(table) as batch:
            batch.drop_constraint(f"ck_{table}_role_known", type_="check")
            batch.create_check_constraint(
                f"ck_{table}_role_known", "role IN ('leader', 'proctor', 'adjudicator', 'checker', 'student')"
            )
    op.add_column("round", sa.Column("second_check", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.create_table(
        "tabulationcheck",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("input_hash", sa.String(64), nullable=False),
        sa.Column("tabulation_hash", sa.String(64), nullable=False),
        sa.Column("token_id", sa.String(), nullable=False),
        sa.Column("person", sa.String(120), nullable=False),
        sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_tabulationcheck_round_id_round"),
        sa.ForeignKeyConstraint(["token_id"], ["accesstoken.id"], name="fk_tabulationcheck_token_id_accesstoken"),
        sa.PrimaryKeyConstraint("id", name="pk_tabulationcheck"),
    )
    op.create_index("ix_tabulationcheck_round_id", "tabulationcheck", ["round_id"])
    op.create_table(
        "papersheet",
        sa.Column("sheet_id", sa.String(), nullable=False),
        sa.Column("bundle_id", sa.String(32), nullable=False),
        sa.Column("typed_by", sa.String(80), nullable=False),
        sa.Column("typed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("checked_by", sa.String(80), nullable=False),
        sa.Column("checked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("differences", sa.JSON(), nullable=False),
        sa.CheckConstraint("state IN ('unchecked', 'to check', 'agrees', 'differs')", name="ck_papersheet_state_known"),
        sa.ForeignKeyConstraint(
            ["sheet_id"], ["adjudicationsheet.id"], name="fk_papersheet_sheet_id_adjudicationsheet"
        ),
        sa.PrimaryKeyConstraint("sheet_id", name="pk_papersheet"),
    )
    op.create_index("ix_papersheet_bundle_id", "papersheet", ["bundle_id"])
