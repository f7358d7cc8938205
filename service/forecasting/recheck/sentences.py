"""A recheck plan in plain sentences."""

from __future__ import annotations

from models.base.percents import level_percent
from models.interventions.recheck import ReadingMeaning, RecheckPlan
from service.core.translation import _
from service.forecasting.forecasts.sentences import about_days, count_days


def row_sentence(row: ReadingMeaning, plan: RecheckPlan) -> str:
    """Say what one row of the table means; days are rounded down, as a promise must not grow in words."""
    reads = {"reads": reads_words(row.low_mv, row.high_mv), "day": plan.day}
    if row.stop and row.return_7 is None:
        said = _(
            "On day %(day)s, against the median of all blocks, %(reads)s: stop. Do not drive on: such a reading "
            "forbids it, or none of the simulated packs read so. Enter the reading and ask again."
        )
        return said % reads
    if row.stop:
        said = _(
            "On day %(day)s, against the median of all blocks, %(reads)s: do not drive on. The risk of %(risk)s is "
            "passed within a day. Enter the reading and ask again."
        )
        return said % {**reads, "risk": _(level_percent(plan.risk))}
    said = (
        _(
            "On day %(day)s, against the median of all blocks, %(reads)s: good for %(days)s; nothing is claimed "
            "beyond. Enter the reading and ask again."
        )
        if row.beyond_horizon
        else _(
            "On day %(day)s, against the median of all blocks, %(reads)s: good for %(days)s from then. Enter the "
            "reading and ask again."
        )
    )
    return said % {**reads, "days": count_days(row.good_for_days)}


def reads_words(low: float | None, high: float | None) -> str:
    """Say a span of mV below the median without a minus sign, in sentences, on pages and on sheets alike.

    Parameters
    ----------
    low, high : float or None
        How far the topped block lies below the median, from and up to; None where there is no edge.
    """
    if low is None and high is None:
        return _("whatever it reads")
    if low is None:
        assert high is not None
        return _more(high, above=True) if high <= 0 else _("up to %(side)s") % {"side": _side(high)}
    if high is None:
        return _more(low, above=False) if low >= 0 else _("lower than %(side)s") % {"side": _side(low)}
    if low > 0:
        return _("%(low)s to %(high)s mV below") % {"low": f"{low:g}", "high": f"{high:g}"}
    if high < 0:
        return _("%(high)s to %(low)s mV above") % {"low": f"{-low:g}", "high": f"{-high:g}"}
    return _("%(low)s to %(high)s") % {"low": _side(low), "high": _side(high)}


def _more(edge: float, *, above: bool) -> str:
    words = _("more than %(mv)s mV above") if above else _("more than %(mv)s mV below")
    return words % {"mv": f"{abs(edge):g}"}


def _side(edge: float) -> str:
    if not edge:
        return _("level")
    return (_("%(mv)s mV above") if edge < 0 else _("%(mv)s mV below")) % {"mv": f"{abs(edge):g}"}


def gains(plan: RecheckPlan) -> bool:
    """Whether the best day to read again brings a whole day of use: days are what is promised and told."""
    return plan.day is not None and plan.worth_days >= 1


def sentences_of(plan: RecheckPlan) -> list[str]:
    """Say when to read again and why, then the table."""
    risk = _(level_percent(plan.risk))
    if plan.present.withheld_by:
        return [_("No later day is given until what is told first has been seen to: read all blocks at rest now.")]
    if plan.day is None:
        said = _(
            "The risk of a return passes %(risk)s before a day is over: there is no later day to wait for. Read it "
            "now, or do not let it go."
        )
        return [said % {"risk": risk}]
    limit = (
        _("Without a new reading the risk of a return stays under %(risk)s to the end of the forecast.")
        % {"risk": risk}
        if plan.limit_day is None
        else _("Without a new reading the risk of a return passes %(risk)s after %(days)s.")
        % {"risk": risk, "days": count_days(plan.limit_day)}
    )
    worth = (
        _("The best day to read it again is day %(day)s: that buys %(days)s more on average, at the same risk.")
        if gains(plan)
        else _(
            "A reading before then would not gain a whole day, on average, at the same risk: it is not worth an "
            "extra trip."
        )
    )
    return [
        limit,
        worth % {"day": plan.day, "days": about_days(max(plan.worth_days, 0))},
        _(
            "Read all blocks at rest, before it is driven. The deviation is how far the topped block is below the "
            "median, the middle one of all blocks."
        ),
        *(row_sentence(row, plan) for row in plan.table),
    ]
