"""Which offer was taken when a pack was ordered."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add it."""
    with op.batch_alter_table("deliveries") as table:
        table.add_column(sa.Column("offer_id", _ROW_ID, nullable=True))
        table.create_foreign_key(op.f("fk_deliveries_offer_id_offers"), "offers", ["offer_id"], ["id"])
    op.create_index(op.f("ix_deliveries_offer_id"), "deliveries", ["offer_id"])


def downgrade() -> None:
    """Remove it."""
    op.drop_index(op.f("ix_deliveries_offer_id"), "deliveries")
    with op.batch_alter_table("deliveries") as table:
        table.drop_constraint(op.f("fk_deliveries_offer_id_offers"), type_="foreignkey")
        table.drop_column("offer_id")
