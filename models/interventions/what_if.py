"""What if: the forecast under another plan, from simulated packs that explain this pack's readings, run forward.

A forecaster learns who is back when; it does not learn what would happen if the same pack were treated otherwise: packs
that are driven little differ in more than kilometres. So the plans are carried out on simulated packs whose hidden
state is known, weighed by how well they agree with the readings, and all plans meet the same days and the same luck.
For the present plan the answer is the shipped forecast itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.base.messages import say
from models.forecasts.forecast import Flag, Forecast
from models.interventions.ensemble import Ensemble, ensemble_of, reconciled_weights
from models.interventions.forward_runs import run_plans
from models.interventions.pack_bank import FamilyBank
from models.interventions.plans import PRESENT, USUAL_PLANS, Plan

PACKS_RUN: Final = 300
"""Simulated packs that are run forward under each plan: with fewer, plans are less often put in the right order
(`tests/studies/speed.md`)."""

MOST_PLANS: Final = 20
"""Plans compared at once; each costs a few hundredths of a second."""

SURE: Final = 1.64
"""Standard errors to each side within which a difference counts as nothing: nine in ten, if normal."""

LEAST_DAYS: Final = 0.5
"""Differences of the mean days held below this are not worth telling, however sure. Invented."""

LEAST_EFFECTIVE: Final = 30.0
"""Effective packs below which the reader is told that few simulated packs explain the readings. Invented."""

FAR_APART: Final = 0.35
"""Distance of the ensemble's own curve from the forecast's at which the reader is told of it. Invented."""


@dataclass(frozen=True)
class PlanForecast:
    """The forecast under one plan.

    Attributes
    ----------
    survival : array, shape (g,)
        Probability that the fault has not returned by each of `models.base.day_grid.DAYS`.
    gain, gain_low, gain_high : array, shape (g,)
        Hold probability gained over the present plan by each day, and nine in ten of what it could be, given how few
        simulated packs explain the readings and how unsure the forecast is.
    mean_days : float
        Mean days held, counting at most the days to the horizon.
    gained_days, gained_low, gained_high : float
        Those gained over the present plan, likewise.
    verdict : {"as planned", "longer", "shorter", "cannot tell"}
        Whether the evidence tells this plan from the present one.
    """

    plan: Plan
    survival: Floats
    gain: Floats
    gain_low: Floats
    gain_high: Floats
    mean_days: float
    gained_days: float
    gained_low: float
    gained_high: float
    verdict: str


@dataclass(frozen=True)
class WhatIf:
    """Forecasts under several plans.

    Attributes
    ----------
    present : Forecast
        The shipped forecast, for the present plan.
    plans : tuple of PlanForecast
        The present plan first, the others in the order in which they were asked for. Empty where the days of `present`
        are withheld: no plan is weighed of a pack that must not be driven yet.
    cannot_tell : tuple of pairs of str
        Names of plans that the evidence does not tell apart.
    effective_packs : float
        How many equally good simulated packs the answer rests on.
    agreement_gap : float
        Largest distance between the ensemble's own curve for the present plan and the shipped one, before they were
        reconciled.
    flags : tuple of Flag
        What the reader should know, besides the flags of `present`.
    """

    present: Forecast
    plans: tuple[PlanForecast, ...]
    cannot_tell: tuple[tuple[str, str], ...]
    effective_packs: float
    agreement_gap: float
    flags: tuple[Flag, ...]

    def of(self, name: str) -> PlanForecast:
        """Return the forecast under a plan by its name.

        Raises
        ------
        BadInput
            There is none of that name, or no plan was weighed.
        """
        found = next((p for p in self.plans if p.plan.name == name), None)
        if found is not None:
            return found
        if not self.plans:
            by = ", ".join(self.present.withheld_by)
            what = f"No plan was weighed: the forecast's days are withheld by {by}."
            raise BadInput.one("plan", what, "Do first what these flags ask for, and forecast again.")
        names = ", ".join(repr(p.plan.name) for p in self.plans)
        raise BadInput.one("plan", f"There is no plan {name!r} in this answer.", f"Name one of {names}.")


def what_if(
    forecast: Forecast,
    x: pd.DataFrame,
    summary: Floats,
    bank: FamilyBank,
    rng: np.random.Generator,
    plans: Sequence[Plan] = USUAL_PLANS,
) -> WhatIf:
    """Forecast a pack under other plans.

    Parameters
    ----------
    forecast : Forecast
        For the present plan.
    x : DataFrame, shape (1, features)
        What it was made from.
    summary : array, shape (k,)
        What the forecaster concludes from it (`Forecaster.summary`).
    plans : sequence of Plan
        At most `MOST_PLANS`, each with its own name.

    Raises
    ------
    BadInput
        No plan, too many, or two of one name.
    """
    asked = _checked(plans)
    ensemble = ensemble_of(bank, x, summary, forecast.origin, PACKS_RUN, rng)
    returned = run_plans(ensemble.ready, (PRESENT, *asked), rng)
    holds = (returned[:, :, None] > DAYS).astype(np.float64)
    own = holds[0].mean(axis=0)
    curves = (forecast.survival, forecast.band_low, forecast.band_high)
    weights = [reconciled_weights(returned[0], curve) for curve in curves]
    days = np.asarray(np.trapezoid(holds, DAYS, axis=2), dtype=np.float64)
    told = []
    for place, plan in enumerate((PRESENT, *asked)):
        # At the edges of the forecast's band the same plan may gain more or less.
        most = np.stack([_most_gain(plan, forecast, curve) for curve in curves])
        gains = np.minimum([w @ (holds[place] - holds[0]) for w in weights], most)
        # Each with its own error: runs that hold throughout at the high edge have nothing to gain, and are sure of it.
        error = np.stack([_errors(holds[place] - holds[0], w, ensemble) for w in weights])
        survival = np.minimum.accumulate(np.clip(forecast.survival + gains[0], 0, 1))
        survival[0] = 1.0
        mean_days = float(np.trapezoid(survival, DAYS))
        most_days = np.trapezoid(most, DAYS, axis=1)
        gained = np.minimum([w @ (days[place] - days[0]) for w in weights], most_days)
        # Of the curve that is told: kept between 0 and 1 and falling, it can gain less than the runs do.
        gained[0] = mean_days - forecast.restricted_mean()
        spread = np.stack([_errors((days[place] - days[0])[:, None], w, ensemble)[0] for w in weights])
        low, high = float((gained - SURE * spread).min()), float((gained + SURE * spread).max())
        verdict = _verdict(gained, spread) if place else "as planned"
        told.append(
            PlanForecast(
                plan=plan,
                survival=survival,
                gain=survival - forecast.survival,
                gain_low=np.clip((gains - SURE * error).min(axis=0), -1, 1),
                gain_high=np.clip(np.minimum((gains + SURE * error).max(axis=0), most.max(axis=0)), -1, 1),
                mean_days=mean_days,
                gained_days=float(gained[0]),
                gained_low=max(low, 0.0) if verdict == "longer" else low,
                gained_high=min(high, 0.0 if verdict == "shorter" else float(most_days.max())),
                verdict=verdict,
            )
        )
    effective = ensemble.effective
    gap = float(np.abs(own - forecast.survival).max())
    return WhatIf(
        present=forecast,
        plans=tuple(told),
        cannot_tell=_alike(told, days, weights[0], ensemble),
        effective_packs=effective,
        agreement_gap=gap,
        flags=_flags(effective, gap),
    )


def nothing_weighed(forecast: Forecast) -> WhatIf:
    """Return the answer of a pack whose days are withheld."""
    return WhatIf(forecast, (), (), effective_packs=0.0, agreement_gap=0.0, flags=())


def _most_gain(plan: Plan, forecast: Forecast, survival: Floats) -> Floats:
    """Most that a plan can add to a hold curve, shape (g,).

    Cleaned connections help a pack with a bad joint, at best to hold throughout, and no other (law of total
    probability).
    """
    chance = forecast.kinds["joint"] if plan.clean_joints and forecast.kinds is not None else 1.0
    return np.asarray(chance * (1.0 - survival))


def _checked(plans: Sequence[Plan]) -> tuple[Plan, ...]:
    if not plans:
        raise BadInput.one("plans", "names no plan.", "Leave it out for the usual plans, or name at least one.")
    if len(plans) > MOST_PLANS:
        raise BadInput.one("plans", f"holds {len(plans)} plans; at most {MOST_PLANS} are compared.", "Ask in parts.")
    names = [plan.name for plan in plans]
    twice = {n for n in names if names.count(n) > 1} | {n for n in names if n == PRESENT.name}
    if twice:
        raise BadInput.one(
            "plans", f"calls more than one plan {sorted(twice)[0]!r}.", "Give each plan a name of its own."
        )
    return tuple(plans)


def _errors(difference: Floats, weights: Floats, ensemble: Ensemble) -> Floats:
    """Return standard errors, shape (k,), of weighted means over n runs; those of one simulated pack go together."""
    mean = weights @ difference
    each = weights[:, None] * (difference - mean)
    _, parent = np.unique(ensemble.source, return_inverse=True)
    together = np.zeros((parent.max() + 1, difference.shape[1]))
    np.add.at(together, parent, each)
    return np.asarray(np.sqrt((together**2).sum(axis=0)))


def _verdict(gained: Floats, spread: Floats) -> str:
    """Judge the days gained on the forecast and both edges of its band by the runs' own error, shape (3,) each.

    The forecast's own must be beyond it, and no edge be beyond it the other way. At an edge there may be nothing to
    gain, or to lose: that takes nothing from what is gained elsewhere.
    """
    sure = np.where(np.abs(gained) > SURE * spread, np.sign(gained), 0.0)
    if sure[0] == 0 or (sure == -sure[0]).any() or abs(gained[0]) <= LEAST_DAYS:
        return "cannot tell"
    return "longer" if sure[0] > 0 else "shorter"


def _alike(
    told: Sequence[PlanForecast], days: Floats, weights: Floats, ensemble: Ensemble
) -> tuple[tuple[str, str], ...]:
    """Pairs of plans whose mean days held differ by no more than their error."""
    found = []
    for one, other in combinations(range(len(told)), 2):
        difference = days[one] - days[other]
        error = float(_errors(difference[:, None], weights, ensemble)[0])
        if abs(float(weights @ difference)) <= max(SURE * error, LEAST_DAYS):
            found.append((told[one].plan.name, told[other].plan.name))
    return tuple(found)


def _flags(effective: float, gap: float) -> tuple[Flag, ...]:
    flags = []
    if effective < LEAST_EFFECTIVE:
        flags.append(
            Flag(
                "few-packs-explain",
                say(
                    "Only about %(count)s simulated packs fit these readings: take differences between plans "
                    "with care.",
                    count=f"{effective:.0f}",
                ),
            )
        )
    if gap > FAR_APART:
        flags.append(
            Flag(
                "physics-disagrees",
                say(
                    "The simulated packs that fit these readings come back at other times than the forecast "
                    "says; they were weighed again to agree with it."
                ),
            )
        )
    return tuple(flags)
