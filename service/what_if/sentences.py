"""A what-if in plain sentences."""

from __future__ import annotations

from models.what_if import PlanForecast, WhatIf

TOLD_DAY = 14
"""Day at which shares still holding are told: two weeks, the usual wait for a pack (common practice, no source)."""


def sentence_of(told: PlanForecast, answer: WhatIf) -> str:
    """Say what one plan does."""
    days = answer.present.days
    held, before = (
        round(100 * float(curve[days == TOLD_DAY][0])) for curve in (told.survival, answer.present.survival)
    )
    name = told.plan.name[:1].upper() + told.plan.name[1:]
    if told.verdict == "as planned":
        return (
            f"As planned, such packs hold {told.mean_days:.1f} days on average (none counted beyond day "
            f"{answer.present.horizon_days:g}); on day {TOLD_DAY}, {held} of 100 still hold."
        )
    if told.verdict == "cannot tell":
        said = f"{name}: the evidence cannot tell this from the present plan."
    else:
        low, high = sorted((abs(told.gained_low), abs(told.gained_high)))
        said = (
            f"{name}: {abs(told.gained_days):.1f} days {told.verdict} on average (between {low:.1f} and {high:.1f}); "
            f"on day {TOLD_DAY}, {held} of 100 still hold instead of {before}."
        )
    if told.plan.swap_block:
        said += " The rest of the pack stays as it is: from then on its next weakest block decides."
    if told.plan.start_after_days:
        said += f" The {told.plan.start_after_days} days on which it stands are counted in."
    return said


def sentences_of(answer: WhatIf) -> list[str]:
    """Say all plans in order, then which of them the evidence does not tell apart from one another."""
    said = [sentence_of(told, answer) for told in answer.plans]
    present = answer.plans[0].plan.name
    pairs = [f"“{one}” and “{other}”" for one, other in answer.cannot_tell if present not in (one, other)]
    if pairs:
        said.append(f"Not told apart by the evidence: {'; '.join(pairs)}.")
    return said
