"""Proposals: what the program measured by itself, who was shown it, and readings made after it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_IS_CURRENT = sa.text("replaced_at IS NULL")
# In words that both databases take: a batch would rebuild the table of readings.
_ADD_SEEN = (
    "ALTER TABLE reading ADD COLUMN proposal_seen VARCHAR(20) "
    "CONSTRAINT ck_reading_proposal_seen "
    "CHECK (proposal_seen IN ('after own reading', 'from the start'))"
)


def upgrade() -> None:
    op.create_table(
        "proposal",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("image_digest", sa.String(length=64), nullable=False),
        sa.Column("log_digest", sa.String(length=64), nullable=False),
        sa.Column("algorithm", sa.String(length=20), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("document", sa.Text(), nullable=True),
        sa.Column("failure", sa.Text(), nullable=True),
        sa.Column("replaced_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(document IS NULL) = (failure IS NOT NULL)", name=op.f("ck_proposal_found")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_proposal_scan_id_scan")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proposal")),
    )
    op.create_index(op.f("ix_proposal_scan_id"), "proposal", ["scan_id"], unique=False)
    op.create_index(
        "uq_proposal_current",
        "proposal",
        ["scan_id"],
        unique=True,
        sqlite_where=_IS_CURRENT,
        postgresql_where=_IS_CURRENT,
    )
    op.create_table(
        "proposal_shown",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("proposal_id", sa.Integer(), nullable=False),
        sa.Column("screw_id", sa.Integer(), nullable=True),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("reading_id", sa.Integer(), nullable=True),
        sa.Column("shown_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_proposal_shown_account_id_account")
        ),
        sa.ForeignKeyConstraint(
            ["proposal_id"], ["proposal.id"], name=op.f("fk_proposal_shown_proposal_id_proposal")
        ),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["reading.id"], name=op.f("fk_proposal_shown_reading_id_reading")
        ),
        sa.ForeignKeyConstraint(
            ["screw_id"], ["screw.id"], name=op.f("fk_proposal_shown_screw_id_screw")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proposal_shown")),
    )
    for column in ("account_id", "proposal_id", "reading_id", "screw_id"):
        op.create_index(
            op.f(f"ix_proposal_shown_{column}"), "proposal_shown", [column], unique=False
        )
    op.create_table(
        "proposal_work",
        sa.Column("scan_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lease_name", sa.String(length=64), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["scan_id"], ["scan.id"], name=op.f("fk_proposal_work_scan_id_scan")
        ),
        sa.PrimaryKeyConstraint("scan_id", name=op.f("pk_proposal_work")),
    )
    op.execute(_ADD_SEEN)


def downgrade() -> None:
    op.drop_column("reading", "proposal_seen")
    op.drop_table("proposal_work")
    for column in ("screw_id", "reading_id", "proposal_id", "account_id"):
        op.drop_index(op.f(f"ix_proposal_shown_{column}"), table_name="proposal_shown")
    op.drop_table("proposal_shown")
    op.drop_index("uq_proposal_current", table_name="proposal")
    op.drop_index(op.f("ix_proposal_scan_id"), table_name="proposal")
    op.drop_table("proposal")
