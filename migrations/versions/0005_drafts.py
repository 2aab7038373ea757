"""Drafts: what a reader has marked and typed and not saved yet."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "reading_draft",
        sa.Column("assignment_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("account_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("save_key", sa.String(length=64), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_reading_draft_account_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["assignment_id"],
            ["assignment.id"],
            name=op.f("fk_reading_draft_assignment_id_assignment"),
        ),
        sa.PrimaryKeyConstraint("assignment_id", "account_id", name=op.f("pk_reading_draft")),
    )
    with op.batch_alter_table("reading_draft") as batch_op:
        batch_op.create_index(
            batch_op.f("ix_reading_draft_account_id"), ["account_id"], unique=False
        )


def downgrade() -> None:
    with op.batch_alter_table("reading_draft") as batch_op:
        batch_op.drop_index(batch_op.f("ix_reading_draft_account_id"))
    op.drop_table("reading_draft")
