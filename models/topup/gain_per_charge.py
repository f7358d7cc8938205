"""What each further half ampere-hour buys: the forecast with the top-up's charge varied."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import pandas as pd
from sklearn.isotonic import isotonic_regression

from models.base.day_grid import DAYS, HORIZON_DAYS, day_of_return
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from models.packs.history import PackHistory, TopUp, UsagePlan
from models.packs.tables import tables_from_histories

STEP_AH: Final = 0.5
MOST_STEPS: Final = 12

LEAST_TRIED_SHARE: Final = 0.55
"""Workshops hardly ever put in less than this share of what is missing (invented: the least of the simulated ones), so
a forecaster has not learned what less does. Run forward, packs with less held as long as promised 69 times in 100 where
90 were promised (tests/benchmarks/bench_topup_plan.py); so nothing is said of it."""

CONFIDENCE: Final = 0.9


@dataclass(frozen=True)
class ChargeStep:
    """What a charge of so much would buy, by the forecast.

    Attributes
    ----------
    put_in_ah : float
        From the supply, Ah.
    good_for_days : float
        Days that nine in ten such packs hold.
    half_back_day : float or None
        Day by which half are back; None beyond the horizon.
    mean_days : float
        Mean days held, none counted beyond the horizon.
    added_mean_days : float or None
        What this step adds to the one before it, 0 or more; None for the first.
    """

    put_in_ah: float
    good_for_days: float
    half_back_day: float | None
    mean_days: float
    added_mean_days: float | None


def charges_to_try(best_ah: float, most_ah: float) -> list[float]:
    """List charges half an ampere-hour apart, from a good part of what is missing to the most that may go in."""
    whole = int(most_ah / STEP_AH + 1e-9)
    rest = not whole or most_ah - STEP_AH * whole > 0.1 * STEP_AH  # the most is no whole number of steps: one more
    # On a large pack the steps widen rather than that the list grows without end.
    stride = -(-(whole + rest) // MOST_STEPS)
    last = whole + rest
    kept = [most_ah if rest and step == last else STEP_AH * step for step in range(last, 0, -stride)][::-1]
    return [charge for charge in kept if charge >= LEAST_TRIED_SHARE * best_ah] or kept[-1:]


def what_it_buys(
    forecaster: Forecaster,
    history: PackHistory,
    family: PackFamily,
    block: int,
    at: datetime,
    charges_ah: list[float],
    current_a: float,
    usage: UsagePlan | None = None,
) -> tuple[ChargeStep, ...]:
    """Forecast the pack as if it had been topped up with each of several charges.

    Parameters
    ----------
    history : PackHistory
        Facts after `at` are not used.
    block : int
        From 1.
    at : datetime
        Start of the charge.
    charges_ah : list of float
        Rising.
    usage : UsagePlan, optional
        Takes the place of the history's own plans.

    Returns
    -------
    tuple of ChargeStep
        Empty if the pack lies too far from anything the model has seen.

    Notes
    -----
    More charge, up to level, cannot bring the fault back sooner. Where the model's curves say otherwise, which is its
    own error, they are pooled (isotonic regression day by day), so that the steps never flatter and never fall.
    """
    known = _known_at(history, at, usage)
    names, topped, moments = [], [], []
    for place, charge in enumerate(charges_ah):
        end = at + timedelta(hours=charge / current_a)
        topup = TopUp(time=end, blocks=(block,), charge_ah=charge, duration_h=charge / current_a)
        name = str(place)
        topped.append(known.model_copy(update={"pack_id": name, "topups": (*known.topups, topup)}))
        names.append(name)
        moments.append(end)
    tables = tables_from_histories(topped, {family.name: family})
    asked = pd.DataFrame({"pack_id": names, "origin": pd.DatetimeIndex(moments).tz_convert("UTC")})
    batch = forecaster.forecast_batch(tables, asked)
    if not batch.reachable.all():
        return ()
    # A line-up of decreasing curves, pooled day by day, stays a line-up of decreasing curves.
    survival = np.stack([isotonic_regression(batch.survival[:, day]) for day in range(len(DAYS))], axis=1)
    mean = np.trapezoid(survival, DAYS, axis=1)
    added = np.diff(mean)
    level = [
        forecaster.bound.told_level(CONFIDENCE, str(group), float(w))
        for group, w in zip(batch.group, batch.widening, strict=True)
    ]
    # One level for all: the least sure step must not make another look better.
    least = min(level)
    steps = []
    for place, charge in enumerate(charges_ah):
        good = day_of_return(survival[place], least) if least > 0 else 0.0
        steps.append(
            ChargeStep(
                put_in_ah=charge,
                good_for_days=HORIZON_DAYS if good is None else good,
                half_back_day=day_of_return(survival[place], 0.5),
                mean_days=float(mean[place]),
                added_mean_days=max(float(added[place - 1]), 0.0) if place else None,
            )
        )
    return tuple(steps)


def _known_at(history: PackHistory, at: datetime, usage: UsagePlan | None) -> PackHistory:
    parts = {
        name: tuple(fact for fact in getattr(history, name) if fact.time is None or fact.time <= at)
        for name in ("readings", "topups", "usage", "outcomes")
    }
    if usage is not None:
        parts["usage"] = (usage.model_copy(update={"time": None}),)
    return history.model_copy(update=parts)
