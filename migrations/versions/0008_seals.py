"""Seals: what was said of a quarter, its seal and its supplements."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "quarter_remark",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("period", sa.String(length=10), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("words", sa.String(length=2000), nullable=True),
        sa.Column("numbers_digest", sa.String(length=64), nullable=True),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('comment', 'countersignature')", name=op.f("ck_quarter_remark_kind")
        ),
        sa.CheckConstraint(
            "(kind = 'comment') = (numbers_digest IS NULL)", name=op.f("ck_quarter_remark_digest")
        ),
        sa.ForeignKeyConstraint(
            ["made_by_id"], ["account.id"], name=op.f("fk_quarter_remark_made_by_id_account")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarter_remark")),
    )
    with op.batch_alter_table("quarter_remark") as batch_op:
        batch_op.create_index(batch_op.f("ix_quarter_remark_period"), ["period"])
        batch_op.create_index(batch_op.f("ix_quarter_remark_made_by_id"), ["made_by_id"])
    op.create_table(
        "quarter_seal",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("period", sa.String(length=10), nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("file_digest", sa.String(length=64), nullable=False),
        sa.Column("manifest", sa.Text(), nullable=False),
        sa.Column("signature", sa.String(length=128), nullable=False),
        sa.Column("numbers", sa.Text(), nullable=False),
        sa.Column("records", sa.Text(), nullable=False),
        sa.Column("sealed_by_id", sa.Integer(), nullable=False),
        sa.Column("countersigned_by_id", sa.Integer(), nullable=True),
        sa.Column("sealed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("part >= 0", name=op.f("ck_quarter_seal_part")),
        sa.ForeignKeyConstraint(
            ["sealed_by_id"], ["account.id"], name=op.f("fk_quarter_seal_sealed_by_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["countersigned_by_id"],
            ["account.id"],
            name=op.f("fk_quarter_seal_countersigned_by_id_account"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarter_seal")),
        sa.UniqueConstraint("period", "part", name=op.f("uq_quarter_seal_period_part")),
    )
    with op.batch_alter_table("quarter_seal") as batch_op:
        batch_op.create_index(batch_op.f("ix_quarter_seal_sealed_by_id"), ["sealed_by_id"])
        batch_op.create_index(
            batch_op.f("ix_quarter_seal_countersigned_by_id"), ["countersigned_by_id"]
        )


def downgrade() -> None:
    op.drop_table("quarter_seal")
    op.drop_table("quarter_remark")
