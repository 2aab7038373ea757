"""Drawn scans whose truth is known, their screws, and who was given a copy to read."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_WALLS = ("medial", "lateral", "cranial", "caudal", "anterior", "body_lateral", "endplate")


def upgrade() -> None:
    op.create_table(
        "drawn_scan",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("drawing", sa.String(length=20), nullable=False),
        sa.Column("drawn_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("purpose IN ('practice', 'mixed')", name=op.f("ck_drawn_scan_purpose")),
        sa.ForeignKeyConstraint(
            ["image_id"], ["image.id"], name=op.f("fk_drawn_scan_image_id_image")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drawn_scan")),
        sa.UniqueConstraint("image_id", name=op.f("uq_drawn_scan_image_id")),
    )
    op.create_table(
        "drawn_screw",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("drawn_scan_id", sa.Integer(), nullable=False),
        sa.Column("level", sa.String(length=20), nullable=False),
        sa.Column("side", sa.String(length=1), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("diameter_mm", sa.Integer(), nullable=False),
        sa.Column("length_mm", sa.Integer(), nullable=False),
        sa.Column("entry", sa.String(length=60), nullable=False),
        sa.Column("tip", sa.String(length=60), nullable=False),
        *(sa.Column(f"{wall}_mm", sa.Integer(), nullable=True) for wall in _WALLS),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("side IN ('L', 'R')", name=op.f("ck_drawn_screw_side")),
        sa.CheckConstraint(
            " AND ".join(f"{wall}_mm BETWEEN 0 AND 600" for wall in _WALLS),
            name=op.f("ck_drawn_screw_walls"),
        ),
        sa.ForeignKeyConstraint(
            ["drawn_scan_id"],
            ["drawn_scan.id"],
            name=op.f("fk_drawn_screw_drawn_scan_id_drawn_scan"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drawn_screw")),
        sa.UniqueConstraint(
            "drawn_scan_id",
            "level",
            "side",
            "number",
            name=op.f("uq_drawn_screw_drawn_scan_id_level_side_number"),
        ),
    )
    op.create_table(
        "drawn_case",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("drawn_scan_id", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("patient_id", sa.Integer(), nullable=False),
        sa.Column("surgeon_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["drawn_scan_id"],
            ["drawn_scan.id"],
            name=op.f("fk_drawn_case_drawn_scan_id_drawn_scan"),
        ),
        sa.ForeignKeyConstraint(
            ["reader_id"], ["person.id"], name=op.f("fk_drawn_case_reader_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["case_id"], ["operation.id"], name=op.f("fk_drawn_case_case_id_operation")
        ),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_drawn_case_scan_id_scan")),
        sa.ForeignKeyConstraint(
            ["patient_id"], ["patient.id"], name=op.f("fk_drawn_case_patient_id_patient")
        ),
        sa.ForeignKeyConstraint(
            ["surgeon_id"], ["person.id"], name=op.f("fk_drawn_case_surgeon_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drawn_case")),
        sa.UniqueConstraint(
            "drawn_scan_id", "reader_id", name=op.f("uq_drawn_case_drawn_scan_id_reader_id")
        ),
        sa.UniqueConstraint("case_id", name=op.f("uq_drawn_case_case_id")),
        sa.UniqueConstraint("scan_id", name=op.f("uq_drawn_case_scan_id")),
        sa.UniqueConstraint("patient_id", name=op.f("uq_drawn_case_patient_id")),
    )
    with op.batch_alter_table("drawn_case") as batch_op:
        batch_op.create_index(batch_op.f("ix_drawn_case_reader_id"), ["reader_id"])
        batch_op.create_index(batch_op.f("ix_drawn_case_surgeon_id"), ["surgeon_id"])


def downgrade() -> None:
    op.drop_table("drawn_case")
    op.drop_table("drawn_screw")
    op.drop_table("drawn_scan")
