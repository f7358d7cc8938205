"""Raw drive logs, kept by choice."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add them."""
    op.create_table(
        "drive_logs",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("begins_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("file", sa.String(length=64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_drive_logs_pack_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drive_logs")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_drive_logs_pack_id"), "drive_logs", ["pack_id"])


def downgrade() -> None:
    """Remove them."""
    op.drop_table("drive_logs")
