"""That the insulation was measured, among what is noted of who looked a pack over: a longer word than before."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make room for the word."""
    _with_room_for(10)


def downgrade() -> None:
    """Take it back: who measured the insulation looked as well."""
    op.execute("UPDATE readings SET inspected = 'sound' WHERE inspected = 'insulation'")
    _with_room_for(7)


def _with_room_for(letters: int) -> None:
    if op.get_bind().dialect.name != "sqlite":
        op.alter_column("readings", "inspected", type_=sa.String(letters), existing_nullable=True)
        return
    # SQLite changes no type. A batch would make the table anew, without its checks.
    op.add_column("readings", sa.Column("looked", sa.String(letters), nullable=True))
    op.execute("UPDATE readings SET looked = inspected WHERE inspected IS NOT NULL")
    op.drop_column("readings", "inspected")
    op.execute("ALTER TABLE readings RENAME COLUMN looked TO inspected")
