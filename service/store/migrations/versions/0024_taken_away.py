"""Of which pack an earlier version speaks, and what dangers went with it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None

_SOME = 1_000


def upgrade() -> None:
    """Add both. What dangers went before is not known any more."""
    op.add_column("earlier_versions", sa.Column("pack_id", sa.String(64), nullable=True))
    op.add_column("earlier_versions", sa.Column("lifted", sa.JSON(none_as_null=True), nullable=True))
    op.create_index(op.f("ix_earlier_versions_pack_id"), "earlier_versions", ["pack_id"])
    versions = sa.table(
        "earlier_versions",
        sa.column("id", sa.Integer()),
        sa.column("subject", sa.String()),
        sa.column("record_id", sa.String()),
        sa.column("content", sa.JSON()),
        sa.column("pack_id", sa.String()),
    )
    read = sa.select(versions.c.id, versions.c.subject, versions.c.record_id, versions.c.content)
    read = read.order_by(versions.c.id).limit(_SOME)
    change = sa.update(versions).where(versions.c.id == sa.bindparam("number")).values(pack_id=sa.bindparam("pack"))
    bind, last = op.get_bind(), 0
    while rows := bind.execute(read.where(versions.c.id > last)).all():
        last = rows[-1].id
        packs = {
            row.id: row.record_id if row.subject == "packs" else row.content.get("pack_id")
            for row in rows
            if row.subject in ("packs", "readings", "topups", "usage", "outcomes")
        }
        if packs:
            bind.execute(change, [{"number": number, "pack": pack} for number, pack in packs.items()])


def downgrade() -> None:
    """Remove both."""
    op.drop_index(op.f("ix_earlier_versions_pack_id"), "earlier_versions")
    op.drop_column("earlier_versions", "lifted")
    op.drop_column("earlier_versions", "pack_id")
