"""Visits to the pages that were ended, so that a copy of their cookie opens nothing any more."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them."""
    op.create_table(
        "ended_visits",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_ended_visits")),
    )
    op.create_index(op.f("ix_ended_visits_until"), "ended_visits", ["until"])


def downgrade() -> None:
    """Remove them."""
    op.drop_table("ended_visits")
