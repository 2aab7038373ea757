"""Arrivals: what came in and is not yet a scan."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_IS_RECEIVING = sa.text("state = 'receiving'")


def upgrade() -> None:
    op.create_table(
        "arrival",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token", sa.String(length=32), nullable=False),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("study_hash", sa.String(length=64), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("files", sa.Integer(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column("survey", sa.Text(), nullable=True),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("decision", sa.Text(), nullable=True),
        sa.Column("decided_by_id", sa.Integer(), nullable=True),
        sa.Column("lease_name", sa.String(length=64), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "source IN ('upload', 'receiver', 'archive')", name=op.f("ck_arrival_source")
        ),
        sa.CheckConstraint(
            "state IN ('receiving', 'received', 'looked through', 'to be read', 'read', 'refused', 'cancelled', 'failed')",
            name=op.f("ck_arrival_state"),
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_arrival_account_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["decided_by_id"], ["account.id"], name=op.f("fk_arrival_decided_by_id_account")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_arrival_scan_id_scan")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_arrival")),
        sa.UniqueConstraint("token", name=op.f("uq_arrival_token")),
    )
    with op.batch_alter_table("arrival") as batch_op:
        batch_op.create_index(batch_op.f("ix_arrival_account_id"), ["account_id"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_arrival_decided_by_id"), ["decided_by_id"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_arrival_scan_id"), ["scan_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_arrival_state"), ["state"], unique=False)
        batch_op.create_index(
            "uq_arrival_receiving_study",
            ["study_hash"],
            unique=True,
            sqlite_where=_IS_RECEIVING,
            postgresql_where=_IS_RECEIVING,
        )


def downgrade() -> None:
    with op.batch_alter_table("arrival") as batch_op:
        batch_op.drop_index(
            "uq_arrival_receiving_study",
            sqlite_where=_IS_RECEIVING,
            postgresql_where=_IS_RECEIVING,
        )
        batch_op.drop_index(batch_op.f("ix_arrival_state"))
        batch_op.drop_index(batch_op.f("ix_arrival_scan_id"))
        batch_op.drop_index(batch_op.f("ix_arrival_decided_by_id"))
        batch_op.drop_index(batch_op.f("ix_arrival_account_id"))

    op.drop_table("arrival")
