"""The recheck day that a release sheet named, and codes that sign another device in."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them."""
    op.add_column("forecasts", sa.Column("recheck_at", sa.DateTime(timezone=True), nullable=True))
    op.create_table(
        "sign_in_codes",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("key_id", sa.String(64), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_keys.id"], name=op.f("fk_sign_in_codes_key_id_api_keys")),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_sign_in_codes")),
    )
    op.create_index(op.f("ix_sign_in_codes_until"), "sign_in_codes", ["until"])


def downgrade() -> None:
    """Remove them."""
    op.drop_table("sign_in_codes")
    op.drop_column("forecasts", "recheck_at")
