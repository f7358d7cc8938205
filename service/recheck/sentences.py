"""A recheck plan in plain sentences."""

from __future__ import annotations

from models.recheck import ReadingMeaning, RecheckPlan
from service.sentences import count_days


def row_sentence(row: ReadingMeaning, plan: RecheckPlan) -> str:
    """Say what one row of the table means; days are rounded down, as a promise must not grow in words."""
    reads = f"Rest deviation {_range(row)} on day {plan.day}"
    if row.stop:
        return f"{reads}: do not drive on with it; the risk of {plan.risk:.0%} is passed within a day."
    if row.beyond_horizon:
        return f"{reads}: good for {count_days(row.good_for_days)}; nothing is claimed beyond."
    return f"{reads}: good for {count_days(row.good_for_days)} more."


def _range(row: ReadingMeaning) -> str:
    """Say a range of millivolts below the median; of negative ones, that the block reads above it."""
    low, high = row.low_mv, row.high_mv
    if low is None and high is None:
        return "whatever it is"
    if low is None:
        assert high is not None
        return f"under {high:g} mV" if high > 0 else f"more than {-high:g} mV above the median"
    if high is None:
        return f"over {low:g} mV" if low >= 0 else f"less than {-low:g} mV above the median, or below it"
    if low >= 0:
        return f"from {low:g} to {high:g} mV"
    below = f"{high:g} mV below" if high > 0 else f"{-high:g} mV above"
    return f"between {-low:g} mV above the median and {below}"


def sentences_of(plan: RecheckPlan) -> list[str]:
    """Say when to read again and why, then the table."""
    if plan.day is None:
        now = "there is no later day to wait for. Read it now, or do not let it go."
        return [f"The risk of a return passes {plan.risk:.0%} before a day is over: {now}"]
    limit = (
        f"Without a new reading the risk of a return stays under {plan.risk:.0%} to the horizon."
        if plan.limit_day is None
        else f"Without a new reading the risk of a return passes {plan.risk:.0%} after {plan.limit_day:.1f} days."
    )
    worth = f"{max(plan.worth_days, 0):.1f} more days of use on average at the same risk"
    return [
        limit,
        f"A reading is worth most on day {plan.day}: {worth}.",
        "Read all blocks at rest, before it is driven. The deviation is how far the topped block is below the median.",
        *(row_sentence(row, plan) for row in plan.table),
    ]
