"""The last promised day of a score is whole days after its forecast, as on the sheet and in the calendar."""

from __future__ import annotations

import math
from datetime import timedelta

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

SOME = 5_000


def upgrade() -> None:
    """Drop parts of days."""
    moment = sa.DateTime(timezone=True)
    scores = sa.table(
        "scores", sa.column("pack_id", sa.String), sa.column("origin", moment), sa.column("good_until", moment)
    )
    base, last = op.get_bind(), ""
    change = sa.update(scores).where(scores.c.pack_id == sa.bindparam("pack")).values(good_until=sa.bindparam("whole"))
    while True:
        some = sa.select(scores).where(scores.c.pack_id > last).order_by(scores.c.pack_id).limit(SOME)
        rows = base.execute(some).all()
        if not rows:
            return
        last = rows[-1].pack_id
        whole = [
            row.origin + timedelta(days=math.floor((row.good_until - row.origin) / timedelta(days=1))) for row in rows
        ]
        base.execute(change, [{"pack": row.pack_id, "whole": day} for row, day in zip(rows, whole, strict=True)])


def downgrade() -> None:
    """Leave them: what was dropped is not known any more, and nothing needs it."""
