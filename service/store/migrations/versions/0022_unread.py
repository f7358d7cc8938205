"""Packs that nobody read at rest since their charge, beside those that are gravely warned of."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them, and find those that stand."""
    # Not in a batch: it would make the table anew, and what hangs on its rows would go with the old one.
    op.drop_index("ix_scores_grave", "scores")
    op.add_column("scores", sa.Column("unread", sa.Boolean(), nullable=False, server_default=sa.false()))
    names = ("forecast_id", "good_until", "origin", "unread")
    scores = sa.table("scores", *(sa.column(name, sa.Boolean() if name == "unread" else None) for name in names))
    forecasts = sa.table("forecasts", sa.column("id", sa.BigInteger()), sa.column("answer", sa.JSON()))
    said = sa.cast(forecasts.c.answer, sa.Text)
    nobody_read = sa.select(forecasts.c.id).where(said.like('%"no-rest-after"%'))
    unread = sa.and_(scores.c.good_until <= scores.c.origin, scores.c.forecast_id.in_(nobody_read))
    op.execute(scores.update().where(unread).values(unread=sa.true()))
    op.create_index(
        "ix_scores_held_back",
        "scores",
        ["pack_id"],
        sqlite_where=sa.text("grave = 1 OR unread = 1"),
        postgresql_where=sa.text("grave OR unread"),
    )


def downgrade() -> None:
    """Remove them."""
    op.drop_index("ix_scores_held_back", "scores")
    op.drop_column("scores", "unread")
    warns = sa.text("grave = 1"), sa.text("grave")
    op.create_index("ix_scores_grave", "scores", ["pack_id"], sqlite_where=warns[0], postgresql_where=warns[1])
