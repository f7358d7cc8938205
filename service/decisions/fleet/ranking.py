"""The ranking: quick at tens of thousands of vehicles because the scores stand ready; only the costs are put in here.

A week's wait costs (stranding + return work - planned work) for each return in it, less the capital of the days in
which the new pack would have lain unneeded: two columns of the score and two factors, so the database does the ranking.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session, aliased

from models.base.errors import BadInput
from models.decisions.money import asked_for
from models.packs.family import PackFamily
from service.core.cautions import all_cautions, shared_chemistry
from service.core.translation import N_, _
from service.decisions.basis.costs import costs_here
from service.decisions.basis.needs_pack import down_said
from service.decisions.basis.open_cases import StoredCurves, to_go_by
from service.decisions.basis.ordered import ordered_for, ordered_said
from service.decisions.basis.sentences import SINCE_SEEN, WAITING_TO_REPLACE
from service.decisions.fleet.caveats import caveats
from service.decisions.fleet.parts import conditions_of, on_packs
from service.decisions.fleet.schemas import Order, Ranked, RankingAnswer, RankingRequest
from service.decisions.fleet.week_cost import WeekCost
from service.forecasting.issued.scores import ended, held_back, still_out, week_figures
from service.records.unweighed import unweighed_packs
from service.store.schema import Score, ScoreCurves

OLD_AFTER: Final = timedelta(hours=36)
"""Scores older than this are called old: the job is meant to run every night."""

FALLING: Final = frozenset({"week_cost", "week_return"})
"""Orders that begin with the highest."""

HIDDEN: Final = frozenset({"week_cost", "week_return", "good_until"})
"""Orders by a figure that is not told of a vehicle that must not be driven."""

_WHY: Final = {
    "return_work": N_("It is what a return costs besides the pack: that is what waiting risks."),
    "stranding": N_("It is what a return on the road costs besides the work: that is what waiting risks."),
    "planned_work": N_("It is what a planned replacement costs besides the pack; a return is weighed against it."),
    "capital_per_day": N_("It is what a pack bought a day early costs: it is what waiting saves."),
}


_STORED: Final = ("pack_id", "vehicle_id", "family", "site", "duty", "grave", "unread", "forecast_id")


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
    dearer = stated["stranding"] + stated["return_work"] - stated["planned_work"]
    capital = stated["capital_per_day"]
    cost = WeekCost(dearer, capital)
    picked = conditions_of(asked)
    tag = [dearer, capital, asked.family, asked.site, asked.duty, asked.order, asked.reverse]
    by: Any = {
        "week_cost": cost.column,
        "week_return": Score.week_return,
        "good_until": Score.good_until,
        "name": func.coalesce(Score.vehicle_id, Score.pack_id),
    }[asked.order]
    down = (asked.order in FALLING) != asked.reverse
    parts = _parts(asked.order, asked.reverse)
    start = _Place() if asked.cursor is None else _read_cursor(asked.cursor, tag, asked.order, len(parts))
    part, after = start.part, start.after
    found: list[Any] = []
    while part < len(parts) and len(found) <= asked.limit:
        wanted = asked.limit + 1 - len(found)
        mine, few = parts[part]
        conditions = [*picked, *mine, *([] if after is None else [_behind(after, by, down)])]
        if asked.order == "week_cost" and not few:
            behind = None if after is None else after[0]
            conditions += cost.next_ones(session, conditions, behind, wanted, down=down)
        rows = _rows(session, cost, by, down, conditions, wanted)
        over = set(session.scalars(select(Score.pack_id).where(Score.pack_id.in_([r.pack_id for r in rows]), ended())))
        found += [(part, row) for row in rows if row.pack_id not in over]
        after = (rows[-1].sorted_by, str(rows[-1].pack_id)) if rows else None
        if len(rows) < wanted:
            part, after = part + 1, None
    shown = found[: asked.limit]
    unweighed = unweighed_packs(session, [row.pack_id for _part, row in shown])
    ordered = ordered_for(session, now, [Score.pack_id.in_([row.pack_id for _part, row in shown])])
    items = [
        item.model_copy(update={"pack_on_order": ordered[item.pack_id].state}) if item.pack_id in ordered else item
        for item in _read_on([row for _part, row in shown], unweighed, now, dearer, capital)
    ]
    if asked.order in FALLING:
        # The store is in the order of the last scoring; a page of it is in that of today's figures.
        placed = list(zip(shown, items, strict=True))
        placed.sort(key=lambda one: _figure(one[1], one[0][1], asked.order), reverse=down)
        placed.sort(key=lambda one: one[0][0])
        items = [item for _place, item in placed]
    if (counted := start.counted) is None:
        out = select(func.count(), func.min(Score.as_of)).where(still_out(), *picked)
        number, oldest = session.execute(out).one()
        counted = number, oldest
    count, scored_from = counted
    last_part, last = found[asked.limit - 1] if len(found) > asked.limit else (0, None)
    behind = None if last is None else _Place(last_part, (last.sorted_by, last.pack_id), counted)
    return RankingAnswer(
        first=[
            *down_said(session, now, on_packs(asked)),
            *ordered_said([*ordered_for(session, now, picked).values()]),
            *caveats(session, picked, asked, now),
        ]
        if asked.cursor is None
        else [],
        currency=costs.currency,
        costs=stated,
        vehicles=count,
        scored_from=scored_from,
        items=items,
        next_cursor=None if behind is None else _write_cursor(tag, behind),
        notes=[costs.source, _(SINCE_SEEN), _(WAITING_TO_REPLACE), *_age(scored_from, now)],
        cautions=all_cautions(shared_chemistry(families, (item.family for item in items))),
    )


def _read_on(
    rows: Sequence[Any], unweighed: Collection[str], now: datetime, dearer: float, capital: float
) -> list[Ranked]:
    """Read some scores on to now: the chance is that of an order, of the returns and of a release at this moment."""
    known = [row for row in rows if to_go_by(row.origin, row.seen_at, now)]
    stored = StoredCurves.of(known, now)
    figures = zip(*week_figures(stored.survival(), stored.told()), strict=True) if known else ()
    of_pack = {row.pack_id: figure for row, figure in zip(known, figures, strict=True)}
    items = []
    for row in rows:
        held = row.grave or row.unread
        chance, wait = of_pack.get(row.pack_id, (None, None))
        silent = row.good_until <= now or chance is None
        items.append(
            Ranked(
                **{name: getattr(row, name) for name in _STORED},
                as_of=now,
                week_cost=None if chance is None or wait is None or held else chance * dearer - wait * capital,
                week_return=None if held else chance,
                good_until=None if silent or held or row.pack_id in unweighed else row.good_until,
                unweighed=row.pack_id in unweighed,
                no_reading_since=(row.seen_at or row.origin) if silent else None,
            )
        )
    return items


@dataclass(frozen=True)
class _Place:
    """Where a page begins.

    Attributes
    ----------
    after : tuple of (value, str) or None
        What the last one of the page before was sorted by, and its pack.
    counted : tuple of (int, datetime) or None
        How many there are, and the oldest moment that any was scored at, as counted for the first page.
    """

    part: int = 0
    after: tuple[Any, str] | None = None
    counted: tuple[int, datetime | None] | None = None


def _parts(order: Order, reverse: bool) -> list[tuple[list[Any], bool]]:
    """Return the conditions of the parts in which vehicles come, one after the other, and whether these are few.

    Those that must not be driven come first where their own figure is not told, and last the other way round. They are
    few, and found by an index of their own, so that all others are still sorted from one index alone.
    """
    if order not in HIDDEN:
        return [([], False)]
    other = aliased(Score)
    others = Score.pack_id.not_in(select(other.pack_id).where(or_(other.grave, other.unread)))
    parts: list[tuple[list[Any], bool]] = [([held_back()], True), ([others], False)]
    return parts[::-1] if reverse else parts


def _figure(item: Ranked, row: Any, name: Order) -> float:
    """Return what a page is sorted by: today's figure or, where none is told, that of the last scoring."""
    value: float | None = getattr(item, name)
    return float(row.sorted_by) if value is None else value


def _behind(after: tuple[Any, str], by: Any, down: bool) -> Any:
    """Return the condition under which a score comes after another one."""
    value, pack_id = after
    return or_(by < value if down else by > value, and_(by == value, Score.pack_id > pack_id))


def _rows(
    session: Session, cost: WeekCost, by: Any, down: bool, conditions: Sequence[Any], limit: int
) -> Sequence[Any]:
    names = [getattr(Score, name) for name in (*_STORED, "good_until", "seen_at", "origin")]
    # First who comes next, from the columns of one index alone; then their rows.
    first = select(Score.pack_id, cost.column.label("week_cost"), by.label("sorted_by")).where(*conditions)
    next_ones = first.order_by(by.desc() if down else by, Score.pack_id).limit(limit).subquery()
    came = next_ones.c.sorted_by
    query = select(*names, ScoreCurves.curves, ScoreCurves.told_levels, next_ones.c.week_cost, came)
    query = query.join(next_ones, next_ones.c.pack_id == Score.pack_id)
    query = query.join(ScoreCurves, ScoreCurves.pack_id == Score.pack_id)
    return session.execute(query.order_by(came.desc() if down else came, Score.pack_id)).all()


def _age(scored_from: datetime | None, now: datetime) -> list[str]:
    if scored_from is None:
        return [_("No vehicle in this part of the fleet is out on a top-up with a forecast to go by.")]
    if now - scored_from > OLD_AFTER:
        said = _(
            "Sorted as the fleet was last forecast, on %(day)s; the figures are of now. Have the whole fleet "
            "forecast again, "
            "best every night."
        )
        return [said % {"day": scored_from.date().isoformat()}]
    return []


def _write_cursor(tag: list[Any], place: _Place) -> str:
    content = [tag, place.part, *map(_text, [*(place.after or ()), *(place.counted or ())])]
    return base64.urlsafe_b64encode(json.dumps(content).encode()).decode().rstrip("=")


def _text(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else value


def _read_cursor(cursor: str, tag: list[Any], order: Order, parts: int) -> _Place:
    try:
        content = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        found, part, value, pack_id, count, scored_from = content
        if order == "good_until":
            value = datetime.fromisoformat(value)
        scored_from = datetime.fromisoformat(scored_from)
        wanted = {"good_until": datetime, "name": str}.get(order, float)
        known = isinstance(value, wanted) and isinstance(pack_id, str) and isinstance(count, int)
        if found == tag and part in range(parts) and known:
            return _Place(part, (value, pack_id), (count, scored_from))
    except (ValueError, TypeError):
        pass
    raise BadInput.one(
        "cursor",
        _("It is not a cursor of this ranking: costs, order and part of the fleet must stay the same on every page."),
        _("Send `next_cursor` of the page before, or leave it out."),
    )
