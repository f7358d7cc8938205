"""From a question to a recheck plan: the one path behind REST and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from models.forecaster import Forecaster
from models.packs.family import PackFamily
from service.core.cautions import all_cautions
from service.forecasting.forecasts.cases import computing, family_of, plan_of
from service.forecasting.forecasts.last_seen import age_of, asked_of_today, counts_from_today
from service.forecasting.forecasts.remembered import remembered
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.forecasts.sentences import look_first, read_first
from service.forecasting.recheck.days import day_reached
from service.forecasting.recheck.schemas import DayWorth, ReadingRow, RecheckAnswer, RecheckCase
from service.forecasting.recheck.sentences import gains, row_sentence, sentences_of


def answer(
    case: RecheckCase,
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime | None = None,
) -> RecheckAnswer:
    """Plan the next reading of a case.

    Parameters and errors are those of `service.forecasting.forecasts.answers.answer`, and besides:

    Raises
    ------
    ModelRefused
        The model holds no simulated packs of the family.
    """
    family = family_of(case, families, now)
    asked = asked_of_today(case, now)
    question = (asked.history, asked.risk, asked.at, plan_of(asked), family)
    with computing(threads):
        plan = remembered(forecaster, ("recheck", *question), lambda: forecaster.recheck_plan(*question))
    present = plan.present
    told = (EvidenceFlag.of(flag) for flag in (*present.flags, *plan.flags))
    flags = [*age_of(case, now, of_today_too=True), *case.corrected, *told]
    return RecheckAnswer(
        pack_id=present.pack_id,
        family=family.name,
        origin=present.origin,
        risk=plan.risk,
        limit_day=plan.limit_day,
        day=plan.day,
        recheck_at=day_reached(present.origin, plan.day) if plan.day is not None and gains(plan) else None,
        worth_days=plan.worth_days,
        candidates=[DayWorth(day=day, worth_days=worth) for day, worth in plan.candidates],
        table=[ReadingRow(**vars(row), sentence=row_sentence(row, plan)) for row in plan.table],
        effective_packs=plan.effective_packs,
        flags=flags,
        first=[*look_first(flags), *read_first(flags), *counts_from_today(case, now)],
        sentences=sentences_of(plan),
        cautions=all_cautions(family.chemistry),
        model_id=present.model_id,
        inputs_digest=present.inputs_digest,
    )
