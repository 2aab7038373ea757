"""Evidence: the picture that a reading was made on, and the data behind it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "evidence",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("reading_id", sa.Integer(), nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=False),
        sa.Column("picture_digest", sa.String(length=64), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["reading.id"], name=op.f("fk_evidence_reading_id_reading")
        ),
        sa.ForeignKeyConstraint(
            ["screw_id"], ["screw.id"], name=op.f("fk_evidence_screw_id_screw")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_evidence")),
        sa.UniqueConstraint("reading_id", name=op.f("uq_evidence_reading_id")),
    )
    with op.batch_alter_table("evidence") as batch_op:
        batch_op.create_index(batch_op.f("ix_evidence_picture_digest"), ["picture_digest"])
        batch_op.create_index(batch_op.f("ix_evidence_screw_id"), ["screw_id"])


def downgrade() -> None:
    with op.batch_alter_table("evidence") as batch_op:
        batch_op.drop_index(batch_op.f("ix_evidence_screw_id"))
        batch_op.drop_index(batch_op.f("ix_evidence_picture_digest"))
    op.drop_table("evidence")
