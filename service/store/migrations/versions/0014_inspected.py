"""What somebody saw who looked a pack over."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it."""
    op.add_column("readings", sa.Column("inspected", sa.String(7), nullable=True))


def downgrade() -> None:
    """Remove it."""
    op.drop_column("readings", "inspected")
