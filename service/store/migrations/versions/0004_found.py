"""What was found in a pack once it was open, beside what became of it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it."""
    op.add_column("outcomes", sa.Column("found", sa.String(7), nullable=True))


def downgrade() -> None:
    """Remove it."""
    op.drop_column("outcomes", "found")
