"""An index of which vehicle each pack sits in now, so that a unit is found by its number quickly."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_NOW = sa.text("until IS NULL")


def upgrade() -> None:
    """Add it."""
    op.create_index(
        "ix_assignments_now", "assignments", ["pack_id", "vehicle_id"], sqlite_where=_NOW, postgresql_where=_NOW
    )


def downgrade() -> None:
    """Remove it."""
    op.drop_index("ix_assignments_now", "assignments")
