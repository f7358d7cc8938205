"""Curves of scores lie apart from them, and packs not seen for long are found without reading all scores."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcTime

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Move them. No table is made anew meanwhile: with the old one the curves would go."""
    op.create_table(
        "score_curves",
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("origin", UtcTime(), nullable=False),
        sa.Column("curves", sa.LargeBinary(), nullable=False),
        sa.Column("told_levels", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(
            ["pack_id"], ["scores.pack_id"], name=op.f("fk_score_curves_pack_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("pack_id", name=op.f("pk_score_curves")),
    )
    op.execute("INSERT INTO score_curves SELECT pack_id, origin, curves, told_levels FROM scores")
    op.drop_column("scores", "curves")
    op.drop_column("scores", "told_levels")
    op.create_index(op.f("ix_scores_seen_at"), "scores", ["seen_at"])


def downgrade() -> None:
    """Move them back."""
    op.drop_index(op.f("ix_scores_seen_at"), "scores")
    op.add_column("scores", sa.Column("curves", sa.LargeBinary(), nullable=False, server_default=""))
    op.add_column("scores", sa.Column("told_levels", sa.LargeBinary(), nullable=True))
    op.execute(
        "UPDATE scores SET (curves, told_levels) = "
        "(SELECT curves, told_levels FROM score_curves WHERE score_curves.pack_id = scores.pack_id)"
    )
    op.drop_table("score_curves")
