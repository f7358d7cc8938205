"""Receivers of notices, what each was told of, and the messages to them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add them."""
    op.create_table(
        "receivers",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("title", sa.String(length=64), nullable=False),
        sa.Column("address", sa.String(length=500), nullable=False),
        sa.Column("secret", sa.String(length=80), nullable=True),
        sa.Column("wants", sa.JSON(), nullable=False),
        sa.Column("days_ahead", sa.Integer(), nullable=False),
        sa.Column("fault_within_days", sa.Integer(), nullable=False),
        sa.Column("fault_chance", sa.Double(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("created_by", sa.String(length=64), nullable=False),
        sa.Column("paused_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("paused_why", sa.String(length=200), nullable=True),
        sa.CheckConstraint("kind IN ('mail', 'webhook')", name=op.f("ck_receivers_known_kind")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_receivers")),
        sa.UniqueConstraint("address", name=op.f("uq_receivers_address")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "notices",
        sa.Column("receiver_id", _NUMBER, nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["receiver_id"], ["receivers.id"], name=op.f("fk_notices_receiver_id")),
        sa.PrimaryKeyConstraint("receiver_id", "key", name=op.f("pk_notices")),
    )
    op.create_index(op.f("ix_notices_at"), "notices", ["at"])
    op.create_table(
        "messages",
        sa.Column("id", _NUMBER, nullable=False),
        sa.Column("receiver_id", _NUMBER, nullable=False),
        sa.Column("uid", sa.String(length=64), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("problem", sa.String(length=300), nullable=True),
        sa.CheckConstraint("state IN ('waiting', 'sent', 'given-up')", name=op.f("ck_messages_known_state")),
        sa.ForeignKeyConstraint(["receiver_id"], ["receivers.id"], name=op.f("fk_messages_receiver_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_messages")),
        sa.UniqueConstraint("uid", name=op.f("uq_messages_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_messages_receiver_id"), "messages", ["receiver_id"])
    op.create_index(op.f("ix_messages_state_next_try_at"), "messages", ["state", "next_try_at"])


def downgrade() -> None:
    """Remove them."""
    op.drop_table("messages")
    op.drop_table("notices")
    op.drop_table("receivers")
