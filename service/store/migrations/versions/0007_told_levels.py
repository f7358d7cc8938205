"""Where the promised days of a forecast are read off, kept with its score: orders go by them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; scores of before have none until they are made anew."""
    with op.batch_alter_table("scores") as table:
        table.add_column(sa.Column("told_levels", sa.LargeBinary(), nullable=True))


def downgrade() -> None:
    """Remove it."""
    with op.batch_alter_table("scores") as table:
        table.drop_column("told_levels")
