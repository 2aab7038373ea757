"""The first ledger: people, cases, scans, readings, consensus, and the trail that holds them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


_REFUSED = "the trail is append-only"

_SQLITE_TRIGGERS = (
    "CREATE TRIGGER event_no_update BEFORE UPDATE ON event "
    f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END",
    "CREATE TRIGGER event_no_delete BEFORE DELETE ON event "
    f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END",
    # INSERT OR REPLACE deletes without firing the trigger above.
    "CREATE TRIGGER event_no_replace BEFORE INSERT ON event "
    "WHEN EXISTS (SELECT 1 FROM event WHERE sequence = NEW.sequence) "
    f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END",
    "CREATE TRIGGER trail_head_no_delete BEFORE DELETE ON trail_head "
    f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END",
)

_POSTGRES_TRIGGERS = (
    "CREATE FUNCTION refuse_trail_change() RETURNS trigger LANGUAGE plpgsql AS "
    f"$$ BEGIN RAISE EXCEPTION '{_REFUSED}'; END $$",
    "CREATE TRIGGER event_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON event "
    "FOR EACH STATEMENT EXECUTE FUNCTION refuse_trail_change()",
    "CREATE TRIGGER trail_head_no_delete BEFORE DELETE OR TRUNCATE ON trail_head "
    "FOR EACH STATEMENT EXECUTE FUNCTION refuse_trail_change()",
    "REVOKE UPDATE, DELETE, TRUNCATE ON event FROM CURRENT_USER",
)


def _is_sqlite() -> bool:
    return op.get_bind().dialect.name == "sqlite"


def upgrade() -> None:
    op.create_table(
        "draw",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("period", sa.String(length=10), nullable=False),
        sa.Column("seed", sa.String(length=64), nullable=False),
        sa.Column("share_percent", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("share_percent BETWEEN 0 AND 1000", name=op.f("ck_draw_share")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_draw")),
        sa.UniqueConstraint("period", name=op.f("uq_draw_period")),
    )
    op.create_table(
        "event",
        sa.Column("sequence", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.String(length=27), nullable=False),
        sa.Column("actor", sa.String(length=120), nullable=False),
        sa.Column("verb", sa.String(length=60), nullable=False),
        sa.Column("record", sa.String(length=60), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("previous", sa.String(length=64), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name=op.f("pk_event")),
    )
    op.create_index(op.f("ix_event_record"), "event", ["record"], unique=False)

    op.create_table(
        "image",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_image")),
        sa.UniqueConstraint("digest", name=op.f("uq_image_digest")),
    )
    op.create_table(
        "patient",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("pseudonym", sa.String(length=20), nullable=False),
        sa.Column("reference_hash", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_patient")),
        sa.UniqueConstraint("pseudonym", name=op.f("uq_patient_pseudonym")),
        sa.UniqueConstraint("reference_hash", name=op.f("uq_patient_reference_hash")),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
    )
    op.create_table(
        "sign_in_failure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_failure")),
    )
    op.create_index(op.f("ix_sign_in_failure_name"), "sign_in_failure", ["name"], unique=False)

    op.create_table(
        "trail_head",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("length", sa.Integer(), nullable=False),
        sa.Column("head", sa.String(length=64), nullable=False),
        sa.Column("seal", sa.String(length=64), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_trail_head_one_row")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trail_head")),
    )
    op.create_table(
        "account",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("password_hash", sa.Text(), nullable=True),
        sa.Column("invitation_digest", sa.Text(), nullable=True),
        sa.Column("invitation_expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("is_local_operator", sa.Boolean(), nullable=False),
        sa.Column("is_disabled", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_account_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("name", name=op.f("uq_account_name")),
    )
    op.create_index(op.f("ix_account_person_id"), "account", ["person_id"], unique=False)

    op.create_table(
        "person_alias",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("folded", sa.String(length=200), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_person_alias_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person_alias")),
        sa.UniqueConstraint("folded", name=op.f("uq_person_alias_folded")),
    )
    op.create_index(op.f("ix_person_alias_person_id"), "person_alias", ["person_id"], unique=False)

    op.create_table(
        "account_role",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "role IN ('registrar', 'surgeon', 'quality lead', 'steward')",
            name=op.f("ck_account_role_role"),
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_account_role_account_id_account")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account_role")),
        sa.UniqueConstraint("account_id", "role", name=op.f("uq_account_role_account_id_role")),
    )
    op.create_table(
        "operation",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("reference", sa.String(length=64), nullable=False),
        sa.Column("patient_id", sa.Integer(), nullable=False),
        sa.Column("operated_on", sa.Date(), nullable=False),
        sa.Column("surgeon_id", sa.Integer(), nullable=False),
        sa.Column("second_surgeon_id", sa.Integer(), nullable=True),
        sa.Column("indication", sa.String(length=200), nullable=True),
        sa.Column("is_revision", sa.Boolean(), nullable=True),
        sa.Column("cobb_deg", sa.Integer(), nullable=True),
        sa.Column("body_mass_index", sa.Integer(), nullable=True),
        sa.Column("bone_quality", sa.String(length=200), nullable=True),
        sa.Column("approach", sa.String(length=20), nullable=True),
        sa.Column("no_scan_reason", sa.String(length=20), nullable=True),
        sa.Column("entered_by_id", sa.Integer(), nullable=False),
        sa.Column("source_name", sa.String(length=200), nullable=True),
        sa.Column("source_row", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "approach IN ('open', 'percutaneous')", name=op.f("ck_operation_approach")
        ),
        sa.CheckConstraint(
            "no_scan_reason IN ('not done', 'declined', 'elsewhere', 'died')",
            name=op.f("ck_operation_no_scan_reason"),
        ),
        sa.ForeignKeyConstraint(
            ["entered_by_id"], ["account.id"], name=op.f("fk_operation_entered_by_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["patient_id"], ["patient.id"], name=op.f("fk_operation_patient_id_patient")
        ),
        sa.ForeignKeyConstraint(
            ["second_surgeon_id"], ["person.id"], name=op.f("fk_operation_second_surgeon_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["surgeon_id"], ["person.id"], name=op.f("fk_operation_surgeon_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_operation")),
        sa.UniqueConstraint("reference", name=op.f("uq_operation_reference")),
    )
    op.create_index(
        op.f("ix_operation_entered_by_id"), "operation", ["entered_by_id"], unique=False
    )
    op.create_index(op.f("ix_operation_operated_on"), "operation", ["operated_on"], unique=False)
    op.create_index(op.f("ix_operation_patient_id"), "operation", ["patient_id"], unique=False)
    op.create_index(
        op.f("ix_operation_second_surgeon_id"), "operation", ["second_surgeon_id"], unique=False
    )
    op.create_index(op.f("ix_operation_surgeon_id"), "operation", ["surgeon_id"], unique=False)

    op.create_table(
        "signed_in",
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_signed_in_account_id_account")
        ),
        sa.PrimaryKeyConstraint("token_digest", name=op.f("pk_signed_in")),
    )
    op.create_index(op.f("ix_signed_in_account_id"), "signed_in", ["account_id"], unique=False)

    op.create_table(
        "case_assistant",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["operation.id"], name=op.f("fk_case_assistant_case_id_operation")
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_case_assistant_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_assistant")),
        sa.UniqueConstraint(
            "case_id", "person_id", name=op.f("uq_case_assistant_case_id_person_id")
        ),
    )
    op.create_index(
        op.f("ix_case_assistant_person_id"), "case_assistant", ["person_id"], unique=False
    )

    op.create_table(
        "scan",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("scanned_on", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("reason", sa.String(length=20), nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=True),
        sa.Column("is_adequate", sa.Boolean(), nullable=False),
        sa.Column("warnings", sa.Text(), nullable=False),
        sa.Column("matched_by_id", sa.Integer(), nullable=False),
        sa.Column("series_hash", sa.String(length=64), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('intra-operative 3D', 'post-operative CT', 'later CT')",
            name=op.f("ck_scan_kind"),
        ),
        sa.CheckConstraint(
            "reason IN ('routine', 'symptoms', 'other', 'not stated')", name=op.f("ck_scan_reason")
        ),
        sa.ForeignKeyConstraint(
            ["case_id"], ["operation.id"], name=op.f("fk_scan_case_id_operation")
        ),
        sa.ForeignKeyConstraint(["image_id"], ["image.id"], name=op.f("fk_scan_image_id_image")),
        sa.ForeignKeyConstraint(
            ["matched_by_id"], ["account.id"], name=op.f("fk_scan_matched_by_id_account")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_scan")),
        sa.UniqueConstraint(
            "case_id", "scanned_on", "kind", name=op.f("uq_scan_case_id_scanned_on_kind")
        ),
        sa.UniqueConstraint("series_hash", name=op.f("uq_scan_series_hash")),
    )
    op.create_index(op.f("ix_scan_image_id"), "scan", ["image_id"], unique=False)
    op.create_index(op.f("ix_scan_matched_by_id"), "scan", ["matched_by_id"], unique=False)

    op.create_table(
        "screw",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("level", sa.String(length=20), nullable=False),
        sa.Column("side", sa.String(length=1), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("entry_technique", sa.String(length=50), nullable=False),
        sa.Column("technique_words", sa.String(length=200), nullable=True),
        sa.Column("guidance", sa.String(length=30), nullable=False),
        sa.Column("operator_id", sa.Integer(), nullable=True),
        sa.Column("operator_grade", sa.String(length=100), nullable=True),
        sa.Column("supervision", sa.String(length=200), nullable=True),
        sa.Column("diameter_mm", sa.Integer(), nullable=True),
        sa.Column("length_mm", sa.Integer(), nullable=True),
        sa.Column("alloy", sa.String(length=100), nullable=True),
        sa.Column("curve_side", sa.String(length=10), nullable=True),
        sa.Column("is_at_apex", sa.Boolean(), nullable=True),
        sa.Column("intention", sa.String(length=20), nullable=True),
        sa.Column("intention_recorded_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("implant_identifier", sa.String(length=300), nullable=True),
        sa.Column("life", sa.String(length=20), nullable=False),
        sa.Column("first_track", sa.String(length=300), nullable=True),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("source_row", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("curve_side IN ('concave', 'convex')", name=op.f("ck_screw_curve_side")),
        sa.CheckConstraint(
            "guidance IN ('freehand', 'fluoroscopy', 'navigation', 'robot-assisted', 'patient-specific guide')",
            name=op.f("ck_screw_guidance"),
        ),
        sa.CheckConstraint(
            "intention IN ('in-out-in', 'bicortical')", name=op.f("ck_screw_intention")
        ),
        sa.CheckConstraint(
            "life IN ('placed', 'redirected', 'removed', 'retained')", name=op.f("ck_screw_life")
        ),
        sa.CheckConstraint("side IN ('L', 'R')", name=op.f("ck_screw_side")),
        sa.CheckConstraint("diameter_mm BETWEEN 1 AND 200", name=op.f("ck_screw_diameter")),
        sa.CheckConstraint("length_mm BETWEEN 1 AND 2000", name=op.f("ck_screw_length")),
        sa.CheckConstraint("number BETWEEN 1 AND 9", name=op.f("ck_screw_number")),
        sa.ForeignKeyConstraint(
            ["case_id"], ["operation.id"], name=op.f("fk_screw_case_id_operation")
        ),
        sa.ForeignKeyConstraint(
            ["operator_id"], ["person.id"], name=op.f("fk_screw_operator_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["replaces_id"], ["screw.id"], name=op.f("fk_screw_replaces_id_screw")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_screw")),
        sa.UniqueConstraint(
            "case_id", "level", "side", "number", name=op.f("uq_screw_case_id_level_side_number")
        ),
    )
    op.create_index(op.f("ix_screw_operator_id"), "screw", ["operator_id"], unique=False)
    op.create_index(op.f("ix_screw_replaces_id"), "screw", ["replaces_id"], unique=False)

    op.create_table(
        "assignment",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=True),
        sa.Column("draw_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.String(length=100), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "role IN ('first', 'second', 'adjudication')", name=op.f("ck_assignment_role")
        ),
        sa.ForeignKeyConstraint(["draw_id"], ["draw.id"], name=op.f("fk_assignment_draw_id_draw")),
        sa.ForeignKeyConstraint(
            ["reader_id"], ["person.id"], name=op.f("fk_assignment_reader_id_person")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_assignment_scan_id_scan")),
        sa.ForeignKeyConstraint(
            ["screw_id"], ["screw.id"], name=op.f("fk_assignment_screw_id_screw")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assignment")),
        sa.UniqueConstraint(
            "screw_id", "scan_id", "role", name=op.f("uq_assignment_screw_id_scan_id_role")
        ),
    )
    op.create_index(op.f("ix_assignment_draw_id"), "assignment", ["draw_id"], unique=False)
    op.create_index(op.f("ix_assignment_reader_id"), "assignment", ["reader_id"], unique=False)
    op.create_index(op.f("ix_assignment_scan_id"), "assignment", ["scan_id"], unique=False)

    op.create_table(
        "consensus",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=40), nullable=False),
        sa.Column("is_provisional", sa.Boolean(), nullable=False),
        sa.Column("is_assessable", sa.Boolean(), nullable=False),
        sa.Column("reading_ids", sa.Text(), nullable=False),
        sa.Column("rule_version", sa.String(length=10), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("medial_mm", sa.Integer(), nullable=True),
        sa.Column("lateral_mm", sa.Integer(), nullable=True),
        sa.Column("cranial_mm", sa.Integer(), nullable=True),
        sa.Column("caudal_mm", sa.Integer(), nullable=True),
        sa.Column("anterior_mm", sa.Integer(), nullable=True),
        sa.Column("body_lateral_mm", sa.Integer(), nullable=True),
        sa.Column("endplate_mm", sa.Integer(), nullable=True),
        sa.Column("bearing_deg", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "state IN ('one reading', 'two readings agree', 'adjudicated', 'awaiting the second reading', 'awaiting adjudication')",
            name=op.f("ck_consensus_state"),
        ),
        sa.CheckConstraint("anterior_mm BETWEEN 0 AND 600", name=op.f("ck_consensus_anterior_mm")),
        sa.CheckConstraint(
            "body_lateral_mm BETWEEN 0 AND 600", name=op.f("ck_consensus_body_lateral_mm")
        ),
        sa.CheckConstraint("caudal_mm BETWEEN 0 AND 600", name=op.f("ck_consensus_caudal_mm")),
        sa.CheckConstraint("cranial_mm BETWEEN 0 AND 600", name=op.f("ck_consensus_cranial_mm")),
        sa.CheckConstraint("endplate_mm BETWEEN 0 AND 600", name=op.f("ck_consensus_endplate_mm")),
        sa.CheckConstraint("lateral_mm BETWEEN 0 AND 600", name=op.f("ck_consensus_lateral_mm")),
        sa.CheckConstraint("medial_mm BETWEEN 0 AND 600", name=op.f("ck_consensus_medial_mm")),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_consensus_scan_id_scan")),
        sa.ForeignKeyConstraint(
            ["screw_id"], ["screw.id"], name=op.f("fk_consensus_screw_id_screw")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_consensus")),
        sa.UniqueConstraint("screw_id", "scan_id", name=op.f("uq_consensus_screw_id_scan_id")),
    )
    op.create_index(op.f("ix_consensus_scan_id"), "consensus", ["scan_id"], unique=False)

    op.create_table(
        "vault_entry",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("patient_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("sealed", sa.Text(), nullable=False),
        sa.Column("matching_hash", sa.String(length=64), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('patient reference', 'birth date', 'scan identifiers')",
            name=op.f("ck_vault_entry_kind"),
        ),
        sa.ForeignKeyConstraint(
            ["patient_id"], ["patient.id"], name=op.f("fk_vault_entry_patient_id_patient")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_vault_entry_scan_id_scan")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vault_entry")),
    )
    op.create_index(
        op.f("ix_vault_entry_matching_hash"), "vault_entry", ["matching_hash"], unique=False
    )
    op.create_index(op.f("ix_vault_entry_patient_id"), "vault_entry", ["patient_id"], unique=False)
    op.create_index(op.f("ix_vault_entry_scan_id"), "vault_entry", ["scan_id"], unique=False)

    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("recorded_by_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("read_on", sa.Date(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("is_assessable", sa.Boolean(), nullable=False),
        sa.Column("not_assessable_reason", sa.String(length=20), nullable=True),
        sa.Column("method", sa.String(length=20), nullable=False),
        sa.Column("medial_sd_mm", sa.Integer(), nullable=True),
        sa.Column("lateral_sd_mm", sa.Integer(), nullable=True),
        sa.Column("cranial_sd_mm", sa.Integer(), nullable=True),
        sa.Column("caudal_sd_mm", sa.Integer(), nullable=True),
        sa.Column("anterior_sd_mm", sa.Integer(), nullable=True),
        sa.Column("body_lateral_sd_mm", sa.Integer(), nullable=True),
        sa.Column("endplate_sd_mm", sa.Integer(), nullable=True),
        sa.Column("convergence_deg", sa.Integer(), nullable=True),
        sa.Column("sagittal_deg", sa.Integer(), nullable=True),
        sa.Column("confidence", sa.String(length=20), nullable=True),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("is_blind", sa.Boolean(), nullable=False),
        sa.Column("marks", sa.Text(), nullable=True),
        sa.Column("seconds_spent", sa.Integer(), nullable=True),
        sa.Column("assignment_id", sa.Integer(), nullable=True),
        sa.Column("source_name", sa.String(length=200), nullable=True),
        sa.Column("source_row", sa.Integer(), nullable=True),
        sa.Column("supersedes_id", sa.Integer(), nullable=True),
        sa.Column("superseded_reason", sa.String(length=500), nullable=True),
        sa.Column("medial_mm", sa.Integer(), nullable=True),
        sa.Column("lateral_mm", sa.Integer(), nullable=True),
        sa.Column("cranial_mm", sa.Integer(), nullable=True),
        sa.Column("caudal_mm", sa.Integer(), nullable=True),
        sa.Column("anterior_mm", sa.Integer(), nullable=True),
        sa.Column("body_lateral_mm", sa.Integer(), nullable=True),
        sa.Column("endplate_mm", sa.Integer(), nullable=True),
        sa.Column("bearing_deg", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "confidence IN ('high', 'moderate', 'low')", name=op.f("ck_reading_confidence")
        ),
        sa.CheckConstraint(
            "method IN ('contour', 'calliper', 'by eye', 'typed')", name=op.f("ck_reading_method")
        ),
        sa.CheckConstraint(
            "not_assessable_reason IN ('artefact', 'not covered', 'screw not there')",
            name=op.f("ck_reading_reason"),
        ),
        sa.CheckConstraint(
            "role IN ('first', 'second', 'adjudication')", name=op.f("ck_reading_role")
        ),
        sa.CheckConstraint(
            "(is_assessable AND not_assessable_reason IS NULL) OR (NOT is_assessable AND not_assessable_reason IS NOT NULL AND medial_mm IS NULL AND lateral_mm IS NULL AND cranial_mm IS NULL AND caudal_mm IS NULL AND anterior_mm IS NULL AND body_lateral_mm IS NULL AND endplate_mm IS NULL)",
            name=op.f("ck_reading_assessable"),
        ),
        sa.CheckConstraint("anterior_mm BETWEEN 0 AND 600", name=op.f("ck_reading_anterior_mm")),
        sa.CheckConstraint(
            "body_lateral_mm BETWEEN 0 AND 600", name=op.f("ck_reading_body_lateral_mm")
        ),
        sa.CheckConstraint("caudal_mm BETWEEN 0 AND 600", name=op.f("ck_reading_caudal_mm")),
        sa.CheckConstraint("cranial_mm BETWEEN 0 AND 600", name=op.f("ck_reading_cranial_mm")),
        sa.CheckConstraint("endplate_mm BETWEEN 0 AND 600", name=op.f("ck_reading_endplate_mm")),
        sa.CheckConstraint("lateral_mm BETWEEN 0 AND 600", name=op.f("ck_reading_lateral_mm")),
        sa.CheckConstraint("medial_mm BETWEEN 0 AND 600", name=op.f("ck_reading_medial_mm")),
        sa.ForeignKeyConstraint(
            ["assignment_id"], ["assignment.id"], name=op.f("fk_reading_assignment_id_assignment")
        ),
        sa.ForeignKeyConstraint(
            ["reader_id"], ["person.id"], name=op.f("fk_reading_reader_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["recorded_by_id"], ["account.id"], name=op.f("fk_reading_recorded_by_id_account")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_reading_scan_id_scan")),
        sa.ForeignKeyConstraint(["screw_id"], ["screw.id"], name=op.f("fk_reading_screw_id_screw")),
        sa.ForeignKeyConstraint(
            ["supersedes_id"], ["reading.id"], name=op.f("fk_reading_supersedes_id_reading")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading")),
        sa.UniqueConstraint("supersedes_id", name=op.f("uq_reading_supersedes_id")),
    )
    op.create_index(op.f("ix_reading_assignment_id"), "reading", ["assignment_id"], unique=False)
    op.create_index(op.f("ix_reading_reader_id"), "reading", ["reader_id"], unique=False)
    op.create_index(op.f("ix_reading_recorded_by_id"), "reading", ["recorded_by_id"], unique=False)
    op.create_index(op.f("ix_reading_scan_id"), "reading", ["scan_id"], unique=False)
    op.create_index(op.f("ix_reading_screw_id"), "reading", ["screw_id"], unique=False)
    op.create_index(
        "uq_reading_first_of_its_role",
        "reading",
        ["screw_id", "scan_id", "role"],
        unique=True,
        sqlite_where=sa.text("supersedes_id IS NULL"),
        postgresql_where=sa.text("supersedes_id IS NULL"),
    )
    for statement in _SQLITE_TRIGGERS if _is_sqlite() else _POSTGRES_TRIGGERS:
        op.execute(statement)


def downgrade() -> None:
    op.drop_index(
        "uq_reading_first_of_its_role",
        table_name="reading",
        sqlite_where=sa.text("supersedes_id IS NULL"),
        postgresql_where=sa.text("supersedes_id IS NULL"),
    )
    op.drop_index(op.f("ix_reading_screw_id"), table_name="reading")
    op.drop_index(op.f("ix_reading_scan_id"), table_name="reading")
    op.drop_index(op.f("ix_reading_recorded_by_id"), table_name="reading")
    op.drop_index(op.f("ix_reading_reader_id"), table_name="reading")
    op.drop_index(op.f("ix_reading_assignment_id"), table_name="reading")

    op.drop_table("reading")
    op.drop_index(op.f("ix_vault_entry_scan_id"), table_name="vault_entry")
    op.drop_index(op.f("ix_vault_entry_patient_id"), table_name="vault_entry")
    op.drop_index(op.f("ix_vault_entry_matching_hash"), table_name="vault_entry")

    op.drop_table("vault_entry")
    op.drop_index(op.f("ix_consensus_scan_id"), table_name="consensus")

    op.drop_table("consensus")
    op.drop_index(op.f("ix_assignment_scan_id"), table_name="assignment")
    op.drop_index(op.f("ix_assignment_reader_id"), table_name="assignment")
    op.drop_index(op.f("ix_assignment_draw_id"), table_name="assignment")

    op.drop_table("assignment")
    op.drop_index(op.f("ix_screw_replaces_id"), table_name="screw")
    op.drop_index(op.f("ix_screw_operator_id"), table_name="screw")

    op.drop_table("screw")
    op.drop_index(op.f("ix_scan_matched_by_id"), table_name="scan")
    op.drop_index(op.f("ix_scan_image_id"), table_name="scan")

    op.drop_table("scan")
    op.drop_index(op.f("ix_case_assistant_person_id"), table_name="case_assistant")

    op.drop_table("case_assistant")
    op.drop_index(op.f("ix_signed_in_account_id"), table_name="signed_in")

    op.drop_table("signed_in")
    op.drop_index(op.f("ix_operation_surgeon_id"), table_name="operation")
    op.drop_index(op.f("ix_operation_second_surgeon_id"), table_name="operation")
    op.drop_index(op.f("ix_operation_patient_id"), table_name="operation")
    op.drop_index(op.f("ix_operation_operated_on"), table_name="operation")
    op.drop_index(op.f("ix_operation_entered_by_id"), table_name="operation")

    op.drop_table("operation")
    op.drop_table("account_role")
    op.drop_index(op.f("ix_person_alias_person_id"), table_name="person_alias")

    op.drop_table("person_alias")
    op.drop_index(op.f("ix_account_person_id"), table_name="account")

    op.drop_table("account")
    op.drop_table("trail_head")
    op.drop_index(op.f("ix_sign_in_failure_name"), table_name="sign_in_failure")

    op.drop_table("sign_in_failure")
    op.drop_table("person")
    op.drop_table("patient")
    op.drop_table("image")
    op.drop_index(op.f("ix_event_record"), table_name="event")

    op.drop_table("event")
    op.drop_table("draw")
    if not _is_sqlite():
        op.execute("DROP FUNCTION refuse_trail_change()")
