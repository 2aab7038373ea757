"""Own notes: a surgeon's reflections and actions, and whom they are shown to."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "own_note",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("noted_on", sa.Date(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("done_on", sa.Date(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("written_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("kind IN ('reflection', 'action')", name=op.f("ck_own_note_kind")),
        sa.CheckConstraint(
            "kind = 'action' OR (due_on IS NULL AND done_on IS NULL AND outcome IS NULL)",
            name=op.f("ck_own_note_action"),
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_own_note_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_own_note")),
    )
    with op.batch_alter_table("own_note") as batch_op:
        batch_op.create_index(batch_op.f("ix_own_note_person_id"), ["person_id"])
    op.create_table(
        "own_note_shown",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("note_id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("shown_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["note_id"], ["own_note.id"], name=op.f("fk_own_note_shown_note_id_own_note")
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_own_note_shown_account_id_account")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_own_note_shown")),
        sa.UniqueConstraint(
            "note_id", "account_id", name=op.f("uq_own_note_shown_note_id_account_id")
        ),
    )
    with op.batch_alter_table("own_note_shown") as batch_op:
        batch_op.create_index(batch_op.f("ix_own_note_shown_account_id"), ["account_id"])


def downgrade() -> None:
    op.drop_table("own_note_shown")
    op.drop_table("own_note")
