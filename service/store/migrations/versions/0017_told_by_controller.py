"""What the car's own controller tells at a reading: state of charge, spread, code."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

_COLUMNS = {
    "soc_pct": sa.Double(),
    "spread_v": sa.Double(),
    "code": sa.String(16),
    "code_state": sa.String(9),
}


def upgrade() -> None:
    """Add it."""
    for name, kind in _COLUMNS.items():
        op.add_column("readings", sa.Column(name, kind, nullable=True))


def downgrade() -> None:
    """Remove it."""
    for name in _COLUMNS:
        op.drop_column("readings", name)
