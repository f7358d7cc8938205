"""What of a block was charged, and what else was done to the pack at a top-up."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them."""
    op.add_column("topups", sa.Column("charged_part", sa.String(6), nullable=True))
    op.add_column("topups", sa.Column("also_done", sa.String(18), nullable=True))


def downgrade() -> None:
    """Remove them."""
    op.drop_column("topups", "also_done")
    op.drop_column("topups", "charged_part")
