"""Packs of which something is recorded that their newest forecast does not know."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them. Those on record are found by `tideover store upgrade`, or the next write about them."""
    op.create_table(
        "unweighed_packs",
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("warned", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_unweighed_packs_pack_id")),
        sa.PrimaryKeyConstraint("pack_id", name=op.f("pk_unweighed_packs")),
    )


def downgrade() -> None:
    """Remove them."""
    op.drop_table("unweighed_packs")
