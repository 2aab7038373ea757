"""The record: outcomes, policy findings, right of reply, readings made again, withdrawal."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "unit_settings",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("written", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_unit_settings_one_row")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_settings")),
    )
    op.create_table(
        "reply_round",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("period", sa.String(length=10), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("opened_by_id", sa.Integer(), nullable=False),
        sa.Column("closes_on", sa.Date(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["opened_by_id"], ["account.id"], name=op.f("fk_reply_round_opened_by_id_account")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reply_round")),
        sa.UniqueConstraint("period", name=op.f("uq_reply_round_period")),
    )
    with op.batch_alter_table("reply_round") as batch_op:
        batch_op.create_index(
            batch_op.f("ix_reply_round_opened_by_id"), ["opened_by_id"], unique=False
        )

    op.create_table(
        "case_seen",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_case_seen_account_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["case_id"], ["operation.id"], name=op.f("fk_case_seen_case_id_operation")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_seen")),
        sa.UniqueConstraint("case_id", "account_id", name=op.f("uq_case_seen_case_id_account_id")),
    )
    with op.batch_alter_table("case_seen") as batch_op:
        batch_op.create_index(batch_op.f("ix_case_seen_account_id"), ["account_id"], unique=False)

    op.create_table(
        "reply_answer",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("round_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("words", sa.String(length=2000), nullable=True),
        sa.Column("answered_by_id", sa.Integer(), nullable=False),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["answered_by_id"], ["account.id"], name=op.f("fk_reply_answer_answered_by_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_reply_answer_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["round_id"], ["reply_round.id"], name=op.f("fk_reply_answer_round_id_reply_round")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reply_answer")),
        sa.UniqueConstraint(
            "round_id", "person_id", name=op.f("uq_reply_answer_round_id_person_id")
        ),
    )
    with op.batch_alter_table("reply_answer") as batch_op:
        batch_op.create_index(
            batch_op.f("ix_reply_answer_answered_by_id"), ["answered_by_id"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_reply_answer_person_id"), ["person_id"], unique=False)

    op.create_table(
        "outcome",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=True),
        sa.Column("observed_on", sa.Date(), nullable=False),
        sa.Column("has_deficit", sa.Boolean(), nullable=False),
        sa.Column("deficit_words", sa.String(length=500), nullable=True),
        sa.Column("is_revised_for_position", sa.Boolean(), nullable=False),
        sa.Column("action", sa.String(length=500), nullable=True),
        sa.Column("told_on", sa.Date(), nullable=True),
        sa.Column("told_by_id", sa.Integer(), nullable=True),
        sa.Column("recorded_by_id", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("has_deficit OR deficit_words IS NULL", name=op.f("ck_outcome_deficit")),
        sa.CheckConstraint(
            "told_by_id IS NULL OR told_on IS NOT NULL", name=op.f("ck_outcome_told")
        ),
        sa.ForeignKeyConstraint(
            ["case_id"], ["operation.id"], name=op.f("fk_outcome_case_id_operation")
        ),
        sa.ForeignKeyConstraint(
            ["recorded_by_id"], ["account.id"], name=op.f("fk_outcome_recorded_by_id_account")
        ),
        sa.ForeignKeyConstraint(["screw_id"], ["screw.id"], name=op.f("fk_outcome_screw_id_screw")),
        sa.ForeignKeyConstraint(
            ["told_by_id"], ["person.id"], name=op.f("fk_outcome_told_by_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outcome")),
    )
    with op.batch_alter_table("outcome") as batch_op:
        batch_op.create_index(batch_op.f("ix_outcome_case_id"), ["case_id"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_outcome_recorded_by_id"), ["recorded_by_id"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_outcome_screw_id"), ["screw_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_outcome_told_by_id"), ["told_by_id"], unique=False)

    op.create_table(
        "rereading",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("round_id", sa.Integer(), nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("assignment_id", sa.Integer(), nullable=False),
        sa.Column("asked_by_id", sa.Integer(), nullable=True),
        sa.Column("words", sa.String(length=1000), nullable=True),
        sa.Column("seed", sa.String(length=64), nullable=True),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["asked_by_id"], ["person.id"], name=op.f("fk_rereading_asked_by_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["assignment_id"], ["assignment.id"], name=op.f("fk_rereading_assignment_id_assignment")
        ),
        sa.ForeignKeyConstraint(
            ["round_id"], ["reply_round.id"], name=op.f("fk_rereading_round_id_reply_round")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_rereading_scan_id_scan")),
        sa.ForeignKeyConstraint(
            ["screw_id"], ["screw.id"], name=op.f("fk_rereading_screw_id_screw")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rereading")),
        sa.UniqueConstraint("assignment_id", name=op.f("uq_rereading_assignment_id")),
        sa.UniqueConstraint(
            "round_id", "screw_id", "scan_id", name=op.f("uq_rereading_round_id_screw_id_scan_id")
        ),
    )
    with op.batch_alter_table("rereading") as batch_op:
        batch_op.create_index(batch_op.f("ix_rereading_asked_by_id"), ["asked_by_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_rereading_scan_id"), ["scan_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_rereading_screw_id"), ["screw_id"], unique=False)

    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("reading_id", sa.Integer(), nullable=False),
        sa.Column("rule_met", sa.String(length=300), nullable=False),
        sa.Column("policy_words", sa.Text(), nullable=False),
        sa.Column("raised_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("is_followed", sa.Boolean(), nullable=True),
        sa.Column("told_whom", sa.String(length=200), nullable=True),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("told_how", sa.String(length=200), nullable=True),
        sa.Column("not_followed_reason", sa.String(length=500), nullable=True),
        sa.Column("answered_by_id", sa.Integer(), nullable=True),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closed_by_id", sa.Integer(), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closing_words", sa.String(length=1000), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(closed_at IS NULL) = (closed_by_id IS NULL)", name=op.f("ck_finding_closed")
        ),
        sa.ForeignKeyConstraint(
            ["answered_by_id"], ["account.id"], name=op.f("fk_finding_answered_by_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["closed_by_id"], ["account.id"], name=op.f("fk_finding_closed_by_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["reading.id"], name=op.f("fk_finding_reading_id_reading")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_finding_scan_id_scan")),
        sa.ForeignKeyConstraint(["screw_id"], ["screw.id"], name=op.f("fk_finding_screw_id_screw")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
        sa.UniqueConstraint("reading_id", name=op.f("uq_finding_reading_id")),
    )
    with op.batch_alter_table("finding") as batch_op:
        batch_op.create_index(
            batch_op.f("ix_finding_answered_by_id"), ["answered_by_id"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_finding_closed_by_id"), ["closed_by_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_finding_scan_id"), ["scan_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_finding_screw_id"), ["screw_id"], unique=False)

    with op.batch_alter_table("account_role") as batch_op:
        batch_op.add_column(sa.Column("taken_at", sa.DateTime(timezone=True), nullable=True))

    with op.batch_alter_table("assignment") as batch_op:
        batch_op.add_column(sa.Column("supersedes_id", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("closed_reason", sa.String(length=500), nullable=True))
        batch_op.drop_constraint(batch_op.f("uq_assignment_screw_id_scan_id_role"), type_="unique")
        batch_op.create_index(
            "uq_assignment_first_of_its_role",
            ["screw_id", "scan_id", "role"],
            unique=True,
            sqlite_where=sa.text("supersedes_id IS NULL"),
            postgresql_where=sa.text("supersedes_id IS NULL"),
        )
        batch_op.create_unique_constraint(
            batch_op.f("uq_assignment_supersedes_id"), ["supersedes_id"]
        )
        batch_op.create_foreign_key(
            batch_op.f("fk_assignment_supersedes_id_reading"), "reading", ["supersedes_id"], ["id"]
        )

    with op.batch_alter_table("image") as batch_op:
        batch_op.add_column(sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True))

    with op.batch_alter_table("patient") as batch_op:
        batch_op.add_column(sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True))

    with op.batch_alter_table("sign_in_failure") as batch_op:
        batch_op.add_column(sa.Column("address_hash", sa.String(length=64), nullable=True))
        batch_op.create_index(
            batch_op.f("ix_sign_in_failure_address_hash"), ["address_hash"], unique=False
        )

    with op.batch_alter_table("signed_in") as batch_op:
        batch_op.add_column(sa.Column("number", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("agent", sa.String(length=200), nullable=True))
        batch_op.add_column(sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.create_unique_constraint(batch_op.f("uq_signed_in_number"), ["number"])


def downgrade() -> None:
    with op.batch_alter_table("signed_in") as batch_op:
        batch_op.drop_constraint(batch_op.f("uq_signed_in_number"), type_="unique")
        batch_op.drop_column("confirmed_at")
        batch_op.drop_column("agent")
        batch_op.drop_column("number")

    with op.batch_alter_table("sign_in_failure") as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_failure_address_hash"))
        batch_op.drop_column("address_hash")

    with op.batch_alter_table("patient") as batch_op:
        batch_op.drop_column("withdrawn_at")

    with op.batch_alter_table("image") as batch_op:
        batch_op.drop_column("removed_at")

    with op.batch_alter_table("assignment") as batch_op:
        batch_op.drop_constraint(
            batch_op.f("fk_assignment_supersedes_id_reading"), type_="foreignkey"
        )
        batch_op.drop_constraint(batch_op.f("uq_assignment_supersedes_id"), type_="unique")
        batch_op.drop_index(
            "uq_assignment_first_of_its_role",
            sqlite_where=sa.text("supersedes_id IS NULL"),
            postgresql_where=sa.text("supersedes_id IS NULL"),
        )
        batch_op.create_unique_constraint(
            batch_op.f("uq_assignment_screw_id_scan_id_role"), ["screw_id", "scan_id", "role"]
        )
        batch_op.drop_column("closed_reason")
        batch_op.drop_column("closed_at")
        batch_op.drop_column("supersedes_id")

    with op.batch_alter_table("account_role") as batch_op:
        batch_op.drop_column("taken_at")

    with op.batch_alter_table("finding") as batch_op:
        batch_op.drop_index(batch_op.f("ix_finding_screw_id"))
        batch_op.drop_index(batch_op.f("ix_finding_scan_id"))
        batch_op.drop_index(batch_op.f("ix_finding_closed_by_id"))
        batch_op.drop_index(batch_op.f("ix_finding_answered_by_id"))

    op.drop_table("finding")
    with op.batch_alter_table("rereading") as batch_op:
        batch_op.drop_index(batch_op.f("ix_rereading_screw_id"))
        batch_op.drop_index(batch_op.f("ix_rereading_scan_id"))
        batch_op.drop_index(batch_op.f("ix_rereading_asked_by_id"))

    op.drop_table("rereading")
    with op.batch_alter_table("outcome") as batch_op:
        batch_op.drop_index(batch_op.f("ix_outcome_told_by_id"))
        batch_op.drop_index(batch_op.f("ix_outcome_screw_id"))
        batch_op.drop_index(batch_op.f("ix_outcome_recorded_by_id"))
        batch_op.drop_index(batch_op.f("ix_outcome_case_id"))

    op.drop_table("outcome")
    with op.batch_alter_table("reply_answer") as batch_op:
        batch_op.drop_index(batch_op.f("ix_reply_answer_person_id"))
        batch_op.drop_index(batch_op.f("ix_reply_answer_answered_by_id"))

    op.drop_table("reply_answer")
    with op.batch_alter_table("case_seen") as batch_op:
        batch_op.drop_index(batch_op.f("ix_case_seen_account_id"))

    op.drop_table("case_seen")
    with op.batch_alter_table("reply_round") as batch_op:
        batch_op.drop_index(batch_op.f("ix_reply_round_opened_by_id"))

    op.drop_table("reply_round")
    op.drop_table("unit_settings")
