"""Old forecasts, and those that warn of something, are found without reading all scores."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the indexes."""
    warns = {"sqlite_where": sa.text("grave = 1"), "postgresql_where": sa.text("grave")}
    with op.batch_alter_table("scores") as table:
        table.create_index(op.f("ix_scores_origin"), ["origin"])
        table.create_index("ix_scores_grave", ["pack_id"], **warns)


def downgrade() -> None:
    """Drop them."""
    with op.batch_alter_table("scores") as table:
        table.drop_index("ix_scores_grave")
        table.drop_index(op.f("ix_scores_origin"))
