"""Actions agreed on for a quarter; whether a seal's file is kept here."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_ENDED = ("is_done", "ended_on", "ended_by_id", "came_of_it")
_ENDED_NAMES = ("done", "ended_on", "ended_by", "came_of_it")


def upgrade() -> None:
    op.create_table(
        "quarter_action",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("period", sa.String(length=10), nullable=False),
        sa.Column("what", sa.String(length=1000), nullable=False),
        sa.Column("owner_id", sa.Integer(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("agreed_by_id", sa.Integer(), nullable=False),
        sa.Column("agreed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("why", sa.String(length=500), nullable=True),
        sa.Column("is_done", sa.Boolean(), nullable=True),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.Column("came_of_it", sa.String(length=1000), nullable=True),
        sa.Column("ended_by_id", sa.Integer(), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        *(
            sa.CheckConstraint(
                f"(ended_at IS NULL) = ({column} IS NULL)", name=op.f(f"ck_quarter_action_{name}")
            )
            for column, name in zip(_ENDED, _ENDED_NAMES, strict=True)
        ),
        sa.CheckConstraint(
            "(replaces_id IS NULL) = (why IS NULL)", name=op.f("ck_quarter_action_why")
        ),
        *(
            sa.ForeignKeyConstraint(
                [column], [f"{table}.id"], name=op.f(f"fk_quarter_action_{column}_{table}")
            )
            for column, table in (
                ("owner_id", "person"),
                ("agreed_by_id", "account"),
                ("replaces_id", "quarter_action"),
                ("ended_by_id", "account"),
            )
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarter_action")),
        sa.UniqueConstraint("replaces_id", name=op.f("uq_quarter_action_replaces_id")),
    )
    with op.batch_alter_table("quarter_action") as batch_op:
        for column in ("period", "owner_id", "agreed_by_id", "ended_by_id"):
            batch_op.create_index(batch_op.f(f"ix_quarter_action_{column}"), [column])
    op.add_column("quarter_seal", sa.Column("is_kept", sa.Boolean(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("quarter_seal") as batch_op:
        batch_op.drop_column("is_kept")
    op.drop_table("quarter_action")
