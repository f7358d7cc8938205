"""The ranking: quick at tens of thousands of vehicles because the scores stand ready; only the costs are put in here.

A week's wait costs (return work - planned work) for each return in it, less the capital of the days in which the new
pack would have lain unneeded (`models.decisions.fleet_costs.rank_by_waiting`): two columns of the score and two
factors, so the database does the ranking.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from models.decisions.money import asked_for
from models.packs.family import PackFamily
from service.core.cautions import all_cautions
from service.core.translation import N_, _
from service.decisions.basis.costs import costs_here
from service.decisions.fleet.caveats import caveats
from service.decisions.fleet.parts import conditions_of
from service.decisions.fleet.schemas import Ranked, RankingAnswer, RankingRequest
from service.forecasting.issued.scores import ended
from service.store.schema import Score

OLD_AFTER: Final = timedelta(hours=36)
"""Scores older than this are called old: the job is meant to run every night."""

_WHY: Final = {
    "return_work": N_("It is what a return costs besides the pack: what waiting risks is weighed by it."),
    "planned_work": N_("It is what a planned replacement costs besides the pack; a return is weighed against it."),
    "capital_per_day": N_("It is what a pack bought a day early costs: it is what waiting saves."),
}


def rank_fleet(
    session: Session, asked: RankingRequest, now: datetime, families: Mapping[str, PackFamily]
) -> RankingAnswer:
    """Rank vehicles by the expected cost of waiting one more week.

    Raises
    ------
    BadInput
        A cost is missing, or the cursor is not of this ranking.
    """
    costs = costs_here(session, asked)
    each = asked_for({name: (costs.amounts[name], _(why)) for name, why in _WHY.items()}, 1)
    stated = {name: float(values[0]) for name, values in each.items()}
    dearer, capital = stated["return_work"] - stated["planned_work"], stated["capital_per_day"]
    week_cost = Score.week_return * dearer - Score.week_wait_days * capital
    picked = conditions_of(asked)
    tag = [dearer, capital, asked.family, asked.site, asked.duty]
    after = None if asked.cursor is None else _read_cursor(asked.cursor, tag)
    found: list[tuple[Any, float]] = []
    more = True
    while more and len(found) <= asked.limit:
        wanted = asked.limit + 1 - len(found)
        rows = _rows(session, week_cost, picked, after, wanted)
        more = len(rows) == wanted
        if rows:
            after = (float(rows[-1][1]), str(rows[-1][0].pack_id))
        over = set(
            session.scalars(select(Score.pack_id).where(Score.pack_id.in_([r.pack_id for r, _ in rows]), ended()))
        )
        found += [(row, float(cost)) for row, cost in rows if row.pack_id not in over]
    items = [
        Ranked(
            **{name: getattr(row, name) for name in Ranked.model_fields if name != "week_cost"},
            week_cost=cost,
        )
        for row, cost in found[: asked.limit]
    ]
    count, scored_from = session.execute(select(func.count(), func.min(Score.as_of)).where(*picked)).one()
    last = items[-1] if len(found) > asked.limit else None
    return RankingAnswer(
        first=caveats(session, picked, asked.family, now, families) if asked.cursor is None else [],
        currency=costs.currency,
        costs=stated,
        vehicles=count,
        scored_from=scored_from,
        items=items,
        next_cursor=None if last is None else _write_cursor(tag, last.week_cost, last.pack_id),
        notes=[costs.source, *_age(scored_from, now)],
        cautions=all_cautions(),
    )


def _rows(
    session: Session, week_cost: Any, picked: Sequence[Any], after: tuple[float, str] | None, limit: int
) -> Sequence[Any]:
    names = [getattr(Score, name) for name in Ranked.model_fields if name != "week_cost"]
    # First who comes next, from the columns of one index alone; then their rows.
    first = select(Score.pack_id, week_cost.label("week_cost")).where(*picked)
    if after is not None:
        cost, pack_id = after
        first = first.where(or_(week_cost < cost, and_(week_cost == cost, Score.pack_id > pack_id)))
    next_ones = first.order_by(week_cost.desc(), Score.pack_id).limit(limit).subquery()
    query = select(*names, next_ones.c.week_cost).join(next_ones, next_ones.c.pack_id == Score.pack_id)
    rows = session.execute(query.order_by(next_ones.c.week_cost.desc(), Score.pack_id)).all()
    return [(row, row.week_cost) for row in rows]


def _age(scored_from: datetime | None, now: datetime) -> list[str]:
    if scored_from is None:
        return [_("No vehicle is out on a top-up with a forecast in this part of the fleet.")]
    if now - scored_from > OLD_AFTER:
        said = _("Some scores are from %(day)s: have the fleet scored anew, every night at best.")
        return [said % {"day": scored_from.date().isoformat()}]
    return []


def _write_cursor(tag: list[Any], cost: float, pack_id: str) -> str:
    return base64.urlsafe_b64encode(json.dumps([tag, cost, pack_id]).encode()).decode().rstrip("=")


def _read_cursor(cursor: str, tag: list[Any]) -> tuple[float, str]:
    try:
        found, cost, pack_id = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        if found == tag and isinstance(cost, float) and isinstance(pack_id, str):
            return cost, pack_id
    except (ValueError, TypeError):
        pass
    raise BadInput.one(
        "cursor",
        _("It is not a cursor of this ranking: costs and part of the fleet must stay the same from page to page."),
        _("Send `next_cursor` of the page before, or leave it out."),
    )
