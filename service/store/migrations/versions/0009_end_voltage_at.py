"""Where the voltage at the end of a charge was metered."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it."""
    op.add_column("topups", sa.Column("end_v_at", sa.String(6), nullable=True))


def downgrade() -> None:
    """Remove it."""
    op.drop_column("topups", "end_v_at")
