"""Packs that a fact stops, when each open case was last seen, and whether its forecast carries a grave flag."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them. What stops packs on record is found by `tideover store upgrade`, or the next write about them."""
    op.create_table(
        "stopped_packs",
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_stopped_packs_pack_id")),
        sa.PrimaryKeyConstraint("pack_id", name=op.f("pk_stopped_packs")),
    )
    with op.batch_alter_table("scores") as table:
        table.add_column(sa.Column("seen_at", sa.DateTime(timezone=True), nullable=True))
        table.add_column(sa.Column("grave", sa.Boolean(), nullable=False, server_default=sa.false()))


def downgrade() -> None:
    """Remove them."""
    with op.batch_alter_table("scores") as table:
        table.drop_column("grave")
        table.drop_column("seen_at")
    op.drop_table("stopped_packs")
