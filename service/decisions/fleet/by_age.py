"""On which day after a top-up to replace, by the own record of how long top-ups of a family held."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base import counts
from models.base.errors import BadInput
from models.decisions.age_replacement import age_policy_from_record
from models.decisions.money import Money, asked_for
from models.packs.family import PackFamily
from models.survival.kaplan_meier import kaplan_meier
from service.core.cautions import all_cautions, shared_chemistry
from service.core.translation import N_, _
from service.decisions.basis.costs import costs_here
from service.decisions.fleet.parts import pack_prices
from service.decisions.fleet.schemas import AgeAnswer, AgeRequest
from service.forecasting.issued.scores import days_between
from service.records.sense import unknown_family
from service.store.schema import Outcome, Pack, Reading, TopUp

LEAST_RETURNS: Final = 10
"""Returns on record below which no age is told. Our choice, no source."""

_WHY: Final = {
    "return_work": N_("It is what a return costs besides the pack: replacing early is weighed against it."),
    "planned_work": N_("It is what a planned replacement costs besides the pack."),
    "stranding": N_("It is what a return on the road costs besides the work: replacing early is weighed against it."),
}


def age_of_family(
    session: Session, family: str, asked: AgeRequest, now: datetime, families: Mapping[str, PackFamily]
) -> AgeAnswer:
    """Find the best day after a top-up to replace packs of a family, whatever their own forecasts say.

    Raises
    ------
    BadInput
        The family is not known, a cost is missing, or too few returns are on record.
    """
    if strange := unknown_family(family, families):
        raise BadInput([strange])
    costs = costs_here(session, asked)
    amounts = asked_for({name: (costs.amounts[name], _(why)) for name, why in _WHY.items()}, 1)
    price = pack_prices(session, [family], asked.pack, costs, now)[family]
    each = {name: float(values[0]) for name, values in amounts.items()}
    planned, at_return = price + each["planned_work"], price + each["stranding"] + each["return_work"]
    held, returned = _held(session, family, now)
    if sum(returned) < LEAST_RETURNS:
        raise BadInput.one(
            "record",
            _(
                "Of %(count)s of the family %(family)s on record %(returned)s came back; an age takes "
                "at least %(least)s."
            )
            % {
                "count": _(counts.topups(len(held))),
                "family": family,
                "returned": sum(returned),
                "least": _(counts.returns(LEAST_RETURNS)),
            },
            _("Record what became of past top-ups, or go by the forecast of each pack."),
        )
    policy = age_policy_from_record(kaplan_meier(held, returned), planned, at_return)
    never = math.isinf(policy.age)
    rates = [Money(rate, costs.currency).rough() for rate in (policy.cost_rate, policy.run_to_failure_rate)]
    if never:
        said = _("Waiting for the return costs no more than replacing by age: %(at_return)s a day held.")
    elif policy.run_to_failure_is_bound:
        said = _(
            "Replaced %(days)s after the top-up, a pack costs %(by_age)s a day held; left until the fault "
            "returns, at most %(at_return)s."
        )
    else:
        said = _(
            "Replaced %(days)s after the top-up, a pack costs %(by_age)s a day held; left until the fault "
            "returns, %(at_return)s."
        )
    return AgeAnswer(
        family=family,
        topups=len(held),
        returns=sum(returned),
        currency=costs.currency,
        planned_cost=planned,
        return_cost=at_return,
        replace_on_day=None if never else policy.age,
        cost_per_day=policy.cost_rate,
        cost_per_day_at_return=policy.run_to_failure_rate,
        at_return_is_bound=policy.run_to_failure_is_bound,
        sentence=said
        % {"days": "" if never else _(counts.days(policy.age)), "by_age": rates[0], "at_return": rates[1]},
        basis=[
            _("On record: %(count)s, of which %(returned)s came back; the others count until they were last heard of.")
            % {"count": _(counts.topups(len(held))), "returned": sum(returned)},
            _("An age is for the family as a whole: the forecast of a pack says more about that pack."),
            costs.source,
        ],
        cautions=all_cautions(shared_chemistry(families, [family])),
    )


def _held(session: Session, family: str, now: datetime) -> tuple[list[float], list[bool]]:
    """Return how many days each top-up on record held, and whether it ended in a return.

    One without an outcome counts until its pack was last heard of: that nobody wrote down an end does not mean that it
    still holds.
    """
    topups = select(TopUp.pack_id, TopUp.time).join(Pack, Pack.id == TopUp.pack_id)
    outcomes = select(Outcome.pack_id, Outcome.time, Outcome.kind).join(Pack, Pack.id == Outcome.pack_id)
    ends: dict[str, list[tuple[datetime, str]]] = {}
    for pack_id, time, kind in session.execute(outcomes.where(Pack.family == family, Outcome.time <= now)):
        ends.setdefault(pack_id, []).append((time, kind))
    readings = select(Reading.pack_id, func.max(Reading.time)).join(Pack, Pack.id == Reading.pack_id)
    here = readings.where(Pack.family == family, Reading.time <= now).group_by(Reading.pack_id)
    heard = {row[0]: row[1] for row in session.execute(here)}
    held, returned = [], []
    for pack_id, time in session.execute(topups.where(Pack.family == family, TopUp.time < now)):
        after = [end for end in ends.get(pack_id, ()) if end[0] > time]
        end, kind = min(after, default=(max(heard.get(pack_id, time), time), "running"))
        held.append(days_between(time, end))
        returned.append(kind == "returned")
    return held, returned
