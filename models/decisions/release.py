"""What a vehicle let go on a topped-up pack risks until its replacement comes.

There is no verdict here. The figures say how likely the fault is to come back first; whether the vehicle may go is
for a licensed person to decide under local rules and the maker's service instructions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.counts import days as say_days
from models.base.errors import BadInput
from models.base.messages import Said, say, say_together
from models.decisions.hold_curves import HORIZON, daily_hold
from models.decisions.lead_time import LeadTime, arrival_matrix
from models.decisions.words import at_the_start, in_100, in_100_between

RECOVERY: Final = say("Have a plan for recovery before it leaves: who is called, and where it is towed.")
"""The condition that speaks of its leaving: not said where it must not."""

CONDITIONS: Final = (
    say("A vehicle on a topped-up pack may stop driving without warning: no motorway."),
    say("No remote trips, and none where being stopped is dangerous."),
    RECOVERY,
    say("A warning lamp or loss of power means stop safely and call the workshop; do not clear the code and drive on."),
    say(
        "A probability is not permission: a licensed technician decides, under local rules and the maker's "
        "instructions."
    ),
)
"""Shown with every release. Common practice, no source."""

_ARRIVAL_RANGE: Final = (0.05, 0.5, 0.95)
"""Shares of arrivals at the ends and the middle of the stated range of days and kilometres."""


@dataclass(frozen=True, eq=False)
class ReleaseRisk:
    """The way from now to the replacement, for n cases.

    Attributes
    ----------
    get_there : array, shape (n,)
        Probability of no return up to and including the day the pack comes. Arrivals on unclaimed days count as not
        got there: a lower bound where `unclaimed` is above 0.
    get_there_at_most : array, shape (n,)
        The same with those arrivals counted as on the first unclaimed day (past the horizon: on its last day).
    low, high : array, shape (n,)
        The two bounds read on the edges of the forecast's band (on the forecast itself if there is no band).
    unclaimed : array, shape (n,)
        Probability that the pack comes on a day about which nothing is claimed: after the last day of the forecast,
        or after the last day that quote and record know of.
    days : array, shape (n, 3)
        Early (5 %), middle and late (95 %) day of arrival; NaN where the record has no end.
    km : array, shape (n, 3)
        Kilometres driven by then; NaN if the daily distance is not known.
    sentences : tuple of str, length n
        For the owner.
    conditions : tuple of str
        To be shown beside every sentence.
    """

    get_there: Floats
    get_there_at_most: Floats
    low: Floats
    high: Floats
    unclaimed: Floats
    days: Floats
    km: Floats
    sentences: tuple[str, ...]
    conditions: tuple[str, ...] = CONDITIONS


def days_until(promised: date, today: date) -> int:
    """Return the days from today to a promised date.

    Raises
    ------
    BadInput
        If the date has passed.
    """
    left = (promised - today).days
    if left < 0:
        raise BadInput.one(
            "promised",
            f"{promised.isoformat()} lies {say_days(-left)} before {today.isoformat()}: that promise has passed.",
            "Ask the supplier for a new date.",
        )
    return left


def promised_on(promised: date, today: date) -> LeadTime:
    """Return the arrival of a pack promised for one date, taken at its word."""
    basis = say("Promised for %(day)s, taken as exact.", day=promised.isoformat())
    return LeadTime.on(days_until(promised, today), basis)


def release_risk(
    survival: ArrayLike,
    arrivals: LeadTime | Sequence[LeadTime],
    km_per_day: ArrayLike | None = None,
    km_per_day_low: ArrayLike | None = None,
    km_per_day_high: ArrayLike | None = None,
    band_low: ArrayLike | None = None,
    band_high: ArrayLike | None = None,
) -> ReleaseRisk:
    """Weigh the hold curve against the day the replacement comes.

    The pack has to hold through the day of arrival t, so the chance to get there is the sum of P(arrives on t) S(t).

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold curves from today on.
    arrivals : LeadTime or sequence of n LeadTime
        Days from today to the arrival. For an order placed earlier use `LeadTime.given_waited`.
    km_per_day : float or array-like, shape (n,), optional
        Usual distance a day, parked days included, km; NaN where it is not known.
    km_per_day_low, km_per_day_high : float or array-like, shape (n,), optional
        The owner's quiet and busy average; both default to the usual distance.
    band_low, band_high : array-like, shape (n, len(DAYS)), optional
        Edges of the forecast's band.

    Raises
    ------
    BadInput
        For curves that are none, or distances that are negative or out of order.
    """
    hold = daily_hold(survival)
    low_edge = hold if band_low is None else daily_hold(band_low, "band_low")
    high_edge = hold if band_high is None else daily_hold(band_high, "band_high")
    cases = len(hold)
    if len(low_edge) != cases or len(high_edge) != cases:
        raise BadInput.one("band_low", "and band_high must have as many rows as survival.", "Give one band a case.")
    arrive, open_share, last_day = arrival_matrix(arrivals, cases)
    late = arrive[:, HORIZON + 1 :].sum(axis=1)
    first_open = np.minimum(last_day + 1, HORIZON)
    within = arrive[:, : HORIZON + 1]

    def got_there(curves: Floats) -> Floats:
        return np.asarray((within * curves[:, : within.shape[1]]).sum(axis=1), dtype=np.float64)

    def unclaimed_at_most(curves: Floats) -> Floats:
        return np.asarray(late * curves[:, -1] + open_share * curves[np.arange(cases), first_open], dtype=np.float64)

    middle, least, most = got_there(hold), got_there(low_edge), got_there(high_edge)
    days = _arrival_days(arrive)
    km = days * _distances(km_per_day, km_per_day_low, km_per_day_high, cases)
    risk = ReleaseRisk(
        get_there=middle,
        get_there_at_most=middle + unclaimed_at_most(hold),
        low=least,
        high=most + unclaimed_at_most(high_edge),
        unclaimed=late + open_share,
        days=days,
        km=km,
        sentences=(),
    )
    has_band = band_low is not None and band_high is not None
    sentences = tuple(_sentence(risk, i, has_band) for i in range(cases))
    return ReleaseRisk(**{**risk.__dict__, "sentences": sentences})


def _arrival_days(arrive: Floats) -> Floats:
    reached = np.cumsum(arrive, axis=1)[:, :, None] >= np.array(_ARRIVAL_RANGE) - 1e-12
    return np.where(reached.any(axis=1), reached.argmax(axis=1), np.nan)


def _distances(usual: ArrayLike | None, low: ArrayLike | None, high: ArrayLike | None, cases: int) -> Floats:
    """Return quiet, usual and busy kilometres a day, shape (cases, 3)."""
    middle = np.nan if usual is None else usual
    columns = [
        np.broadcast_to(np.asarray(v, dtype=np.float64), (cases,))
        for v in (middle if low is None else low, middle, middle if high is None else high)
    ]
    table = np.stack(columns, axis=1)
    mend = "Give km a day: low, usual, high."
    if (table < 0).any():
        raise BadInput.one("km_per_day", "is negative.", mend)
    if (table[:, 2] < table[:, 0]).any():
        raise BadInput.one("km_per_day", "has a low value above its high one.", mend)
    if (np.diff(table, axis=1) < 0).any():
        raise BadInput.one("km_per_day", "is not between its low and its high value.", mend)
    return table


def _sentence(risk: ReleaseRisk, case: int, has_band: bool) -> Said:
    unclaimed = risk.unclaimed[case]
    if unclaimed > 1 - 1e-9:
        return say(
            "The replacement comes after day %(day)s, where the forecast ends: the chance of getting there is at most "
            "%(chance)s, and nothing more can be said. Ask again nearer the day.",
            day=HORIZON,
            chance=in_100(risk.high[case]),
        )
    chance = at_the_start(in_100(risk.get_there[case]))
    first = (
        say(
            "%(chance)s packs like this one would hold until the replacement comes (anything from "
            "%(band)s is possible); in the others the fault comes back first.",
            chance=chance,
            band=in_100_between(risk.low[case], risk.high[case]),
        )
        if has_band and in_100(risk.low[case]) != in_100(risk.high[case])
        else say(
            "%(chance)s packs like this one would hold until the replacement comes; in the others the fault "
            "comes back first.",
            chance=chance,
        )
    )
    arrival = when_it_comes(risk.days[case], risk.km[case])
    if unclaimed <= 1e-9:
        return say_together(first, arrival)
    late = say(
        "In %(late)s it comes later than the forecast, or the record of deliveries, reaches. Those count as "
        "not getting there, so the chance is at least what is said here "
        "and at most %(most)s.",
        late=in_100(unclaimed),
        most=in_100(risk.get_there_at_most[case]),
    )
    return say_together(first, arrival, late)


def when_it_comes(days: Floats, km: Floats | None = None) -> Said:
    """Say in how many days the replacement comes, and how far is driven until then where that is told.

    Parameters
    ----------
    days, km : array, shape (3,)
        Early, middle and late, as those of `ReleaseRisk`.
    """
    early, middle, late = days
    if np.isnan(middle):
        return say("Nobody can say when the replacement comes: fewer than half of such orders have ever arrived.")
    if late == 0:
        return say("The replacement is there, or comes today.")
    when = say_days(middle)
    if early != late:
        when = say(
            "%(middle)s, nine times in ten between %(early)s and %(late)s",
            middle=when,
            early=f"{early:.0f}",
            late=say("a day that the record does not show") if np.isnan(late) else say_days(late),
        )
    if km is None or np.isnan(km[1]):
        return say("The replacement is expected in %(when)s.", when=when)
    return say("The replacement is expected in %(when)s; that is about %(way)s.", when=when, way=_way(km))


def _way(km: Floats) -> Said:
    low, usual, high = (f"{distance:.0f}" for distance in km)
    if km[0] == km[2]:
        return say("%(usual)s km", usual=usual)
    if np.isnan(km[2]):
        return say("%(usual)s km, from %(low)s up", usual=usual, low=low)
    return say("%(usual)s km, from %(low)s to %(high)s km", usual=usual, low=low, high=high)
