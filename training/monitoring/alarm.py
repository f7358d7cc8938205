"""An alarm that goes off when forecasts have drifted from what happens, at a stated rate of false alarms.

It runs in calendar time. Of every forecast issued it knows the cumulative hazard that the forecast gives the days
passed so far; of all forecasts together, how many faults have returned. Their difference N(t) − A(t) is a martingale
while forecasts are calibrated, whoever is censored for whatever reason that does not look ahead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.base import counts
from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.estimator import Outcomes, check_outcomes

FALSE_ALARMS_A_YEAR: Final = 0.05
"""Probability that calibrated forecasts set the alarm off within a year of watching."""

FACTORS: Final = (0.4, 0.65, 1.5, 2.5)
STAKES: Final = (0.1, 0.4, 0.4, 0.1)
"""Hazard factors that the alarm bets on, and what it stakes on each: mostly on the least that matters. Invented."""


@dataclass(frozen=True)
class AlarmState:
    """Where the alarm stands after one day's bookkeeping.

    Attributes
    ----------
    day : float
        Calendar day.
    returns : int
        Returns among the forecasts watched, until then.
    expected : float
        Returns that the forecasts had expected of the days watched.
    evidence : float
        What a gambler who started the year with 1 and bet against calibration would own.
    """

    day: float
    returns: int
    expected: float
    evidence: float
    raised: bool


@dataclass(frozen=True)
class AlarmTrace:
    """The alarm over time.

    Attributes
    ----------
    day, returns, expected, evidence : array, shape (d,)
        At each return and at the end; see `AlarmState`.
    raised_on : float or None
        Calendar day of the alarm.
    """

    day: Floats
    returns: NDArray[np.int64]
    expected: Floats
    evidence: Floats
    raised_on: float | None
    false_alarms_a_year: float

    @classmethod
    def watch(
        cls,
        survival: ArrayLike,
        issued: ArrayLike,
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        *,
        now: float,
        false_alarms_a_year: float = FALSE_ALARMS_A_YEAR,
    ) -> Self:
        r"""Run the alarm over issued forecasts.

        .. math:: E_t = \sum_k \pi_k \exp\Big( N_t \log\theta_k - (\theta_k - 1) A_t \Big), \quad
            \text{alarm when } E_t \ge 1/\alpha

        with N the returns seen and A the cumulative hazard that the forecasts gave the days under observation: the
        likelihood ratio of "all hazards are θ times as high" mixed over factors θ with stakes π. If forecasts are
        calibrated E is a non-negative martingale that starts at 1, so by Ville's inequality it ever reaches 1/α with
        probability α at most. It is started anew every 365 days, so that α is the rate a year. A forecast is watched
        until its return, its censoring, its ninetieth day, or the next forecast of the same top-up (whose start then
        ends the earlier one): no return may be counted twice.

        Parameters
        ----------
        survival : array, shape (n, len(DAYS))
            As issued.
        issued : array, shape (n,)
            Calendar day of each forecast's origin.
        time, event : array, shape (n,)
            Days from the origin to the end of watching, and whether that was a return, as known at `now`.
        entry : array, shape (n,), optional
            Days from the origin to the moment of issue: what came before it is no test of the forecast.
        now : float
            Calendar day.
        false_alarms_a_year : float
            α, between 0 and 1.

        Raises
        ------
        BadInput
            If shapes differ or an outcome lies after `now`.

        References
        ----------
        Ville (1939), Étude critique de la notion de collectif; Robbins (1970), Annals of Mathematical Statistics 41,
        1397-1409, for mixtures of likelihood ratios; Ramdas, Grünwald, Vovk & Shafer (2023), Statistical Science 38,
        576-601, for e-processes; Andersen, Borgan, Gill & Keiding (1993), Statistical Models Based on Counting
        Processes, for N − A under censoring (all from memory, unverified).
        """
        if not 0 < false_alarms_a_year < 1:
            raise BadInput.one("false_alarms_a_year", f"is {false_alarms_a_year}.", "Give a share between 0 and 1.")
        outcomes = check_outcomes(time, event, entry).until(float(DAYS[-1]))
        curves, origin = np.asarray(survival, dtype=np.float64), np.asarray(issued, dtype=np.float64)
        if curves.shape != (len(outcomes), len(DAYS)) or origin.shape != (len(outcomes),):
            raise BadInput.one(
                "survival",
                f"has shape {curves.shape}.",
                f"Give a curve and a day for each of {len(outcomes)} rows.",
            )
        ends = origin + outcomes.time
        if np.any(ends > now + 1e-9):
            row = int(np.argmax(ends))
            raise BadInput.one(f"time[{row}]", "ends after now.", "Give outcomes as known now.")
        first = float((origin + outcomes.entry).min())
        jumps = np.sort(ends[outcomes.event])
        days = np.append(jumps, now)
        expected = _expected(curves, origin, outcomes, np.append(first, days))
        count = np.append(np.arange(1, len(jumps) + 1), len(jumps))
        log_factor, less_one = np.log(np.array(FACTORS)), np.array(FACTORS) - 1.0
        year = np.floor((days - first) / 365.0).astype(int)
        starts = first + 365.0 * np.arange(year.max() + 1)
        # What had come and had been expected when each year began: there the gambler starts anew.
        expected_before = _expected(curves, origin, outcomes, starts)
        count_before = np.searchsorted(jumps, starts, side="left")
        gained_count = (count - count_before[year])[:, None]
        gained_expected = (expected[1:] - expected_before[year])[:, None]
        power = gained_count * log_factor - less_one * gained_expected
        evidence = np.exp(np.clip(power, -700, 700)) @ np.array(STAKES)
        over = np.flatnonzero(evidence >= 1.0 / false_alarms_a_year)
        return cls(
            days, count, expected[1:] - expected[0], evidence, float(days[over[0]]) if len(over) else None,
            false_alarms_a_year,
        )  # fmt: skip

    @property
    def state(self) -> AlarmState:
        """Where it stands now."""
        return AlarmState(
            float(self.day[-1]), int(self.returns[-1]), float(self.expected[-1]), float(self.evidence[-1]),
            self.raised_on is not None,
        )  # fmt: skip

    def sentence(self) -> str:
        """Say it in words."""
        now = self.state
        # The figures of single forecasts beside it count a pack as often as it was forecast.
        seen = f"{counts.returns(now.returns)} came, each counted once, where {now.expected:.1f} were forecast"
        rate = f"{100 * self.false_alarms_a_year:g} of 100 years of sound forecasts"
        if self.raised_on is None:
            return f"No alarm: {seen}. An alarm would be false in at most {rate}."
        way = "more often" if now.returns > now.expected else "less often"
        return (
            f"Alarm: {seen}; faults come back {way} than forecast, by more than chance explains. "
            f"An alarm is false in at most {rate}. Learn from the record with `tideover train --from-store`."
        )


def _expected(survival: Floats, origin: Floats, outcomes: Outcomes, days: Floats) -> Floats:
    """Cumulative hazard that all forecasts together gave the days watched until each calendar day, shape (d,).

    Between grid days a forecast's cumulative hazard is a straight line (`models.survival.reading_curves.own_day`), so
    the sum is one too between the days on which any of them bends: it takes one pass over all bends, not one a day and
    forecast.
    """
    hazard = -np.log(np.maximum(survival, 1e-12))
    slope = np.diff(hazard, axis=1) / np.diff(DAYS)
    end = np.maximum(outcomes.time, outcomes.entry)[:, None]
    bends = np.clip(DAYS[None, :], outcomes.entry[:, None], end) + origin[:, None]
    # Counted from the first bend, so that the two large sums below leave a small difference exact.
    zero = bends.min() if bends.size else 0.0
    at = np.concatenate([bends[:, :-1].ravel(), bends[:, 1:].ravel()]) - zero
    change = np.concatenate([slope.ravel(), -slope.ravel()])
    order = np.argsort(at, kind="stable")
    rate = np.concatenate([[0.0], np.cumsum(change[order])])
    before = np.concatenate([[0.0], np.cumsum(change[order] * at[order])])
    # Past the last bend nothing more comes, whatever day it is.
    asked = np.clip(days - zero, 0.0, at.max(initial=0.0))
    passed = np.searchsorted(at[order], asked, side="right")
    return np.asarray(rate[passed] * asked - before[passed])
