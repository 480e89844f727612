"""The first schema: auditions, material, panel, rounds, takes, findings, sheets, access, audit, names."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "auditentry",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("chain", sa.String(40), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(80), nullable=False),
        sa.Column("action", sa.String(60), nullable=False),
        sa.Column("subject", sa.String(120), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("previous_hash", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_auditentry"),
        sa.UniqueConstraint("chain", "seq", name="uq_auditentry_chain_seq"),
    )
    op.create_index("ix_auditentry_chain", "auditentry", ["chain"], unique=False)
    op.create_table(
        "audition",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(160), nullable=False),
        sa.Column("organisation", sa.String(160), nullable=False),
        sa.Column("held_on", sa.Date(), nullable=False),
        sa.Column("a4_hz", sa.Float(), nullable=False),
        sa.Column("temperament", sa.String(), nullable=False),
        sa.Column("note_names", sa.String(), nullable=False),
        sa.Column("paper", sa.String(), nullable=False),
        sa.Column("scored_per", sa.String(), nullable=False),
        sa.Column("rubric", sa.JSON(), nullable=False),
        sa.Column("rule", sa.JSON(), nullable=False),
        sa.Column("rule_declared_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("rule_hash", sa.String(), nullable=True),
        sa.Column("retention_until", sa.Date(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("scored_per IN ('piece', 'candidate')", name="ck_audition_scored_per_known"),
        sa.CheckConstraint("temperament IN ('equal', 'just')", name="ck_audition_temperament_known"),
        sa.PrimaryKeyConstraint("id", name="pk_audition"),
    )
    op.create_table(
        "job",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("key", sa.String(200), nullable=False),
        sa.Column("subject", sa.String(40), nullable=False),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("priority", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("max_attempts", sa.Integer(), nullable=False),
        sa.Column("lease_until", sa.Float(), nullable=False),
        sa.Column("worker", sa.String(80), nullable=False),
        sa.Column("progress", sa.Float(), nullable=False),
        sa.Column("progress_text", sa.String(120), nullable=False),
        sa.Column("error", sa.String(1000), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("state IN ('queued', 'running', 'done', 'failed')", name="ck_job_state_known"),
        sa.PrimaryKeyConstraint("id", name="pk_job"),
        sa.UniqueConstraint("key", name="uq_job_key"),
    )
    op.create_index("ix_job_state", "job", ["state"], unique=False)
    op.create_index("ix_job_subject", "job", ["subject"], unique=False)
    op.create_table(
        "leader",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_leader"),
        sa.UniqueConstraint("name", name="uq_leader_name"),
    )
    op.create_table(
        "student",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(160), nullable=False),
        sa.Column("school", sa.String(160), nullable=False),
        sa.Column("teacher", sa.String(160), nullable=False),
        sa.Column("year", sa.String(20), nullable=False),
        sa.Column("consent_on", sa.Date(), nullable=True),
        sa.Column("consent_by", sa.String(160), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_student"),
    )
    op.create_table(
        "adjudicator",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("audition_id", sa.String(), nullable=False),
        sa.Column("letter", sa.String(2), nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.ForeignKeyConstraint(["audition_id"], ["audition.id"], name="fk_adjudicator_audition_id_audition"),
        sa.PrimaryKeyConstraint("id", name="pk_adjudicator"),
        sa.UniqueConstraint("audition_id", "letter", name="uq_adjudicator_audition_id_letter"),
    )
    op.create_index("ix_adjudicator_audition_id", "adjudicator", ["audition_id"], unique=False)
    op.create_table(
        "entry",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("audition_id", sa.String(), nullable=False),
        sa.Column("student_id", sa.String(), nullable=False),
        sa.Column("instrument", sa.String(40), nullable=False),
        sa.Column("accommodation", sa.String(300), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["audition_id"], ["audition.id"], name="fk_entry_audition_id_audition"),
        sa.ForeignKeyConstraint(["student_id"], ["student.id"], name="fk_entry_student_id_student"),
        sa.PrimaryKeyConstraint("id", name="pk_entry"),
        sa.UniqueConstraint(
            "audition_id", "student_id", "instrument", name="uq_entry_audition_id_student_id_instrument"
        ),
    )
    op.create_index("ix_entry_audition_id", "entry", ["audition_id"], unique=False)
    op.create_index("ix_entry_student_id", "entry", ["student_id"], unique=False)
    op.create_table(
        "piece",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("audition_id", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(160), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("source", sa.LargeBinary(), nullable=False),
        sa.Column("source_format", sa.String(), nullable=False),
        sa.Column("options", sa.JSON(), nullable=False),
        sa.Column("leader_marks", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "kind IN ('notation', 'abc', 'generated', 'sight-reading', 'untyped')", name="ck_piece_kind_known"
        ),
        sa.ForeignKeyConstraint(["audition_id"], ["audition.id"], name="fk_piece_audition_id_audition"),
        sa.PrimaryKeyConstraint("id", name="pk_piece"),
    )
    op.create_index("ix_piece_audition_id", "piece", ["audition_id"], unique=False)
    op.create_table(
        "round",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("audition_id", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("seats", sa.Integer(), nullable=True),
        sa.Column("piece_ids", sa.JSON(), nullable=False),
        sa.Column("seed", sa.String(), nullable=True),
        sa.Column("seed_commitment", sa.String(), nullable=True),
        sa.Column("committed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sealed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("standing", sa.JSON(), nullable=True),
        sa.Column("standing_hash", sa.String(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('first', 'rehearing', 'final')", name="ck_round_kind_known"),
        sa.CheckConstraint("state IN ('setup', 'committed', 'drawn', 'opened')", name="ck_round_state_known"),
        sa.ForeignKeyConstraint(["audition_id"], ["audition.id"], name="fk_round_audition_id_audition"),
        sa.PrimaryKeyConstraint("id", name="pk_round"),
    )
    op.create_index("ix_round_audition_id", "round", ["audition_id"], unique=False)
    op.create_table(
        "accesslink",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("audition_id", sa.String(), nullable=True),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("adjudicator_id", sa.String(), nullable=True),
        sa.Column("label", sa.String(80), nullable=False),
        sa.Column("secret_hash", sa.String(64), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("role IN ('leader', 'proctor', 'adjudicator', 'student')", name="ck_accesslink_role_known"),
        sa.ForeignKeyConstraint(
            ["adjudicator_id"], ["adjudicator.id"], name="fk_accesslink_adjudicator_id_adjudicator"
        ),
        sa.ForeignKeyConstraint(["audition_id"], ["audition.id"], name="fk_accesslink_audition_id_audition"),
        sa.PrimaryKeyConstraint("id", name="pk_accesslink"),
        sa.UniqueConstraint("secret_hash", name="uq_accesslink_secret_hash"),
    )
    op.create_index("ix_accesslink_audition_id", "accesslink", ["audition_id"], unique=False)
    op.create_table(
        "accesstoken",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("token_hash", sa.String(64), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("leader_id", sa.String(), nullable=True),
        sa.Column("audition_id", sa.String(), nullable=True),
        sa.Column("adjudicator_id", sa.String(), nullable=True),
        sa.Column("label", sa.String(80), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("role IN ('leader', 'proctor', 'adjudicator', 'student')", name="ck_accesstoken_role_known"),
        sa.ForeignKeyConstraint(
            ["adjudicator_id"], ["adjudicator.id"], name="fk_accesstoken_adjudicator_id_adjudicator"
        ),
        sa.ForeignKeyConstraint(["audition_id"], ["audition.id"], name="fk_accesstoken_audition_id_audition"),
        sa.ForeignKeyConstraint(["leader_id"], ["leader.id"], name="fk_accesstoken_leader_id_leader"),
        sa.PrimaryKeyConstraint("id", name="pk_accesstoken"),
        sa.UniqueConstraint("token_hash", name="uq_accesstoken_token_hash"),
    )
    op.create_table(
        "candidate",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("entry_id", sa.String(), nullable=False),
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("blind_number", sa.String(12), nullable=False),
        sa.Column("playing_order", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("state_reason", sa.String(300), nullable=False),
        sa.CheckConstraint(
            "state IN ('expected', 'present', 'late', 'absent', 'withdrawn', 'no-show', 'heard')",
            name="ck_candidate_state_known",
        ),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name="fk_candidate_entry_id_entry"),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_candidate_round_id_round"),
        sa.PrimaryKeyConstraint("id", name="pk_candidate"),
        sa.UniqueConstraint("round_id", "blind_number", name="uq_candidate_round_id_blind_number"),
        sa.UniqueConstraint("round_id", "entry_id", name="uq_candidate_round_id_entry_id"),
    )
    op.create_index("ix_candidate_entry_id", "candidate", ["entry_id"], unique=False)
    op.create_index("ix_candidate_round_id", "candidate", ["round_id"], unique=False)
    op.create_table(
        "declaredrecusal",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("adjudicator_id", sa.String(), nullable=False),
        sa.Column("entry_id", sa.String(), nullable=False),
        sa.Column("reason", sa.String(300), nullable=False),
        sa.ForeignKeyConstraint(
            ["adjudicator_id"], ["adjudicator.id"], name="fk_declaredrecusal_adjudicator_id_adjudicator"
        ),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name="fk_declaredrecusal_entry_id_entry"),
        sa.PrimaryKeyConstraint("id", name="pk_declaredrecusal"),
        sa.UniqueConstraint("adjudicator_id", "entry_id", name="uq_declaredrecusal_adjudicator_id_entry_id"),
    )
    op.create_index("ix_declaredrecusal_adjudicator_id", "declaredrecusal", ["adjudicator_id"], unique=False)
    op.create_index("ix_declaredrecusal_entry_id", "declaredrecusal", ["entry_id"], unique=False)
    op.create_table(
        "roundentry",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("entry_id", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name="fk_roundentry_entry_id_entry"),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_roundentry_round_id_round"),
        sa.PrimaryKeyConstraint("id", name="pk_roundentry"),
        sa.UniqueConstraint("round_id", "entry_id", name="uq_roundentry_round_id_entry_id"),
    )
    op.create_index("ix_roundentry_entry_id", "roundentry", ["entry_id"], unique=False)
    op.create_index("ix_roundentry_round_id", "roundentry", ["round_id"], unique=False)
    op.create_table(
        "adjudicationsheet",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("adjudicator_id", sa.String(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("draft", sa.JSON(), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("state IN ('draft', 'submitted')", name="ck_adjudicationsheet_state_known"),
        sa.ForeignKeyConstraint(
            ["adjudicator_id"], ["adjudicator.id"], name="fk_adjudicationsheet_adjudicator_id_adjudicator"
        ),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_adjudicationsheet_candidate_id_candidate"),
        sa.PrimaryKeyConstraint("id", name="pk_adjudicationsheet"),
        sa.UniqueConstraint("adjudicator_id", "candidate_id", name="uq_adjudicationsheet_adjudicator_id_candidate_id"),
    )
    op.create_index("ix_adjudicationsheet_adjudicator_id", "adjudicationsheet", ["adjudicator_id"], unique=False)
    op.create_index("ix_adjudicationsheet_candidate_id", "adjudicationsheet", ["candidate_id"], unique=False)
    op.create_table(
        "document",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("round_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=True),
        sa.Column("template_version", sa.String(20), nullable=False),
        sa.Column("model_hash", sa.String(64), nullable=False),
        sa.Column("pdf_sha256", sa.String(64), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_document_candidate_id_candidate"),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name="fk_document_round_id_round"),
        sa.PrimaryKeyConstraint("id", name="pk_document"),
    )
    op.create_index("ix_document_round_id", "document", ["round_id"], unique=False)
    op.create_table(
        "recusal",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("adjudicator_id", sa.String(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("declared_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["adjudicator_id"], ["adjudicator.id"], name="fk_recusal_adjudicator_id_adjudicator"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_recusal_candidate_id_candidate"),
        sa.PrimaryKeyConstraint("id", name="pk_recusal"),
        sa.UniqueConstraint("adjudicator_id", "candidate_id", name="uq_recusal_adjudicator_id_candidate_id"),
    )
    op.create_index("ix_recusal_adjudicator_id", "recusal", ["adjudicator_id"], unique=False)
    op.create_index("ix_recusal_candidate_id", "recusal", ["candidate_id"], unique=False)
    op.create_table(
        "take",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("candidate_id", sa.String(), nullable=False),
        sa.Column("piece_id", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("container", sa.String(20), nullable=False),
        sa.Column("playback_sha256", sa.String(64), nullable=False),
        sa.Column("duration_sec", sa.Float(), nullable=False),
        sa.Column("sample_rate_hz", sa.Integer(), nullable=False),
        sa.Column("channels", sa.Integer(), nullable=False),
        sa.Column("quality", sa.JSON(), nullable=False),
        sa.Column("peaks", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("void_reason", sa.String(300), nullable=False),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("replaces", sa.String(), nullable=True),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("state IN ('kept', 'voided')", name="ck_take_state_known"),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidate.id"], name="fk_take_candidate_id_candidate"),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name="fk_take_piece_id_piece"),
        sa.ForeignKeyConstraint(["replaces"], ["take.id"], name="fk_take_replaces_take"),
        sa.PrimaryKeyConstraint("id", name="pk_take"),
    )
    op.create_index("ix_take_candidate_id", "take", ["candidate_id"], unique=False)
    op.create_index("ix_take_piece_id", "take", ["piece_id"], unique=False)
    op.create_table(
        "findings",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("take_id", sa.String(), nullable=False),
        sa.Column("input_hash", sa.String(64), nullable=False),
        sa.Column("algorithm_version", sa.String(40), nullable=False),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_findings_take_id_take"),
        sa.PrimaryKeyConstraint("id", name="pk_findings"),
        sa.UniqueConstraint(
            "take_id", "input_hash", "algorithm_version", name="uq_findings_take_id_input_hash_algorithm_version"
        ),
    )
    op.create_index("ix_findings_take_id", "findings", ["take_id"], unique=False)
    op.create_table(
        "sheetversion",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("sheet_id", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("marks", sa.JSON(), nullable=False),
        sa.Column("remarks", sa.JSON(), nullable=False),
        sa.Column("reason", sa.String(300), nullable=False),
        sa.Column("signature", sa.String(64), nullable=False),
        sa.Column("submitted_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["sheet_id"], ["adjudicationsheet.id"], name="fk_sheetversion_sheet_id_adjudicationsheet"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_sheetversion"),
        sa.UniqueConstraint("sheet_id", "version", name="uq_sheetversion_sheet_id_version"),
    )
    op.create_index("ix_sheetversion_sheet_id", "sheetversion", ["sheet_id"], unique=False)
    op.create_table(
        "takeorigin",
        sa.Column("take_id", sa.String(), nullable=False),
        sa.Column("file_name", sa.String(255), nullable=False),
        sa.Column("via", sa.String(20), nullable=False),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_takeorigin_take_id_take"),
        sa.PrimaryKeyConstraint("take_id", name="pk_takeorigin"),
    )
