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
    if op.get_bind().dialect.name == "sqlite":
        # In place: a table that is copied forgets which numbers withdrawn records had.
        op.execute(
            "ALTER TABLE deliveries ADD COLUMN offer_id INTEGER "
            "CONSTRAINT fk_deliveries_offer_id_offers REFERENCES offers (id)"
        )
    else:
        op.add_column("deliveries", sa.Column("offer_id", _ROW_ID, nullable=True))
        op.create_foreign_key(op.f("fk_deliveries_offer_id_offers"), "deliveries", "offers", ["offer_id"], ["id"])
    op.create_index(op.f("ix_deliveries_offer_id"), "deliveries", ["offer_id"])


def downgrade() -> None:
    """Remove it."""
    op.drop_index(op.f("ix_deliveries_offer_id"), "deliveries")
    with op.batch_alter_table("deliveries", table_kwargs={"sqlite_autoincrement": True}) as table:
        if op.get_bind().dialect.name != "sqlite":  # there it stands in the column itself
            table.drop_constraint(op.f("fk_deliveries_offer_id_offers"), type_="foreignkey")
        table.drop_column("offer_id")
