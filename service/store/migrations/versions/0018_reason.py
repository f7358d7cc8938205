"""Why a record was corrected or withdrawn, where somebody said so."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it."""
    op.add_column("earlier_versions", sa.Column("reason", sa.String(200), nullable=True))


def downgrade() -> None:
    """Remove it."""
    op.drop_column("earlier_versions", "reason")
