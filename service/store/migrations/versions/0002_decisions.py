"""Costs as somebody stated them, scores of open cases, and what a delivery was ordered for."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_MOMENT = sa.DateTime(timezone=True)
_ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_COSTS = ("stranding", "day_off_road", "capital_per_day", "return_value", "planned_work", "return_work")
_RANKING = ("week_return", "week_wait_days", "pack_id", "family", "site", "duty", "as_of")


def upgrade() -> None:
    """Add them. Deliveries known so far are taken as ordinary ones."""
    # Written out: making the table anew, as Alembic would in SQLite, forgets the numbers of withdrawn records.
    op.execute(
        "ALTER TABLE deliveries ADD COLUMN pack_id VARCHAR(64) CONSTRAINT fk_deliveries_pack_id REFERENCES packs (id)"
    )
    op.add_column("deliveries", sa.Column("express", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.create_index(op.f("ix_deliveries_pack_id"), "deliveries", ["pack_id"])
    op.create_table(
        "cost_sheets",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        *(sa.Column(name, sa.Double(), nullable=True) for name in _COSTS),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cost_sheets")),
    )
    op.create_table(
        "scores",
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("forecast_id", _ROW_ID, nullable=False),
        sa.Column("vehicle_id", sa.String(length=64), nullable=True),
        sa.Column("site", sa.String(length=64), nullable=True),
        sa.Column("duty", sa.String(length=64), nullable=True),
        sa.Column("family", sa.String(length=31), nullable=False),
        sa.Column("model_id", sa.String(length=80), nullable=False),
        sa.Column("topped_at", _MOMENT, nullable=False),
        sa.Column("origin", _MOMENT, nullable=False),
        sa.Column("good_until", _MOMENT, nullable=False),
        sa.Column("km_per_day", sa.Double(), nullable=True),
        sa.Column("as_of", _MOMENT, nullable=False),
        sa.Column("week_return", sa.Double(), nullable=False),
        sa.Column("week_wait_days", sa.Double(), nullable=False),
        sa.Column("curves", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_scores_pack_id")),
        sa.ForeignKeyConstraint(["forecast_id"], ["forecasts.id"], name=op.f("fk_scores_forecast_id")),
        sa.PrimaryKeyConstraint("pack_id", name=op.f("pk_scores")),
    )
    op.create_index("ix_scores_ranking", "scores", list(_RANKING))
    op.create_index(op.f("ix_scores_good_until"), "scores", ["good_until"])


def downgrade() -> None:
    """Remove them."""
    op.drop_index(op.f("ix_scores_good_until"), "scores")
    op.drop_index("ix_scores_ranking", "scores")
    op.drop_table("scores")
    op.drop_table("cost_sheets")
    op.drop_index(op.f("ix_deliveries_pack_id"), "deliveries")
    with op.batch_alter_table("deliveries", table_kwargs={"sqlite_autoincrement": True}) as deliveries:
        deliveries.drop_column("express")
        deliveries.drop_column("pack_id")
