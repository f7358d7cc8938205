"""Resistances of the blocks at a reading, and of how much of a log it tells."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.types import Json

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

_COLUMNS = {"resistance_mohm": Json, "log_rows": sa.Double(), "log_error_v": sa.Double()}


def upgrade() -> None:
    """Add them."""
    for name, kind in _COLUMNS.items():
        op.add_column("readings", sa.Column(name, kind, nullable=True))


def downgrade() -> None:
    """Remove them."""
    for name in _COLUMNS:
        op.drop_column("readings", name)
