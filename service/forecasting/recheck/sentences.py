"""A recheck plan in plain sentences."""

from __future__ import annotations

from models.interventions.recheck import ReadingMeaning, RecheckPlan
from service.core.translation import _
from service.forecasting.forecasts.sentences import count_days


def row_sentence(row: ReadingMeaning, plan: RecheckPlan) -> str:
    """Say what one row of the table means; days are rounded down, as a promise must not grow in words."""
    reads = {"range": _range(row), "day": plan.day}
    if row.stop:
        said = _(
            "Rest deviation %(range)s on day %(day)s: do not drive on with it; the risk of %(risk)s is passed within "
            "a day."
        )
        return said % {**reads, "risk": f"{plan.risk:.0%}"}
    said = (
        _("Rest deviation %(range)s on day %(day)s: good for %(days)s; nothing is claimed beyond.")
        if row.beyond_horizon
        else _("Rest deviation %(range)s on day %(day)s: good for %(days)s more.")
    )
    return said % {**reads, "days": count_days(row.good_for_days)}


def _range(row: ReadingMeaning) -> str:
    """Say a range of millivolts below the median; of negative ones, that the block reads above it."""
    low, high = row.low_mv, row.high_mv
    if low is None and high is None:
        return _("whatever it is")
    words = {"low": f"{abs(low or 0):g}", "high": f"{abs(high or 0):g}"}
    if low is None:
        assert high is not None
        return (_("under %(high)s mV") if high > 0 else _("more than %(high)s mV above the median")) % words
    if high is None:
        return (_("over %(low)s mV") if low >= 0 else _("less than %(low)s mV above the median, or below it")) % words
    if low >= 0:
        return _("from %(low)s to %(high)s mV") % words
    if high > 0:
        return _("between %(low)s mV above the median and %(high)s mV below") % words
    return _("between %(low)s mV above the median and %(high)s mV above") % words


def sentences_of(plan: RecheckPlan) -> list[str]:
    """Say when to read again and why, then the table."""
    risk = f"{plan.risk:.0%}"
    if plan.day is None:
        said = _(
            "The risk of a return passes %(risk)s before a day is over: there is no later day to wait for. Read it "
            "now, or do not let it go."
        )
        return [said % {"risk": risk}]
    limit = (
        _("Without a new reading the risk of a return stays under %(risk)s to the horizon.") % {"risk": risk}
        if plan.limit_day is None
        else _("Without a new reading the risk of a return passes %(risk)s after %(days)s days.")
        % {"risk": risk, "days": f"{plan.limit_day:.1f}"}
    )
    worth = _("A reading is worth most on day %(day)s: %(days)s more days of use on average at the same risk.")
    return [
        limit,
        worth % {"day": plan.day, "days": f"{max(plan.worth_days, 0):.1f}"},
        _(
            "Read all blocks at rest, before it is driven. The deviation is how far the topped block is below the "
            "median."
        ),
        *(row_sentence(row, plan) for row in plan.table),
    ]
