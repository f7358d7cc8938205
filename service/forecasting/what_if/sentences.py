"""A what-if in plain sentences."""

from __future__ import annotations

import math

from models.interventions.what_if import PlanForecast, WhatIf
from service.core.translation import _, ngettext
from service.forecasting.forecasts.sentences import about_days

TOLD_DAY = 14
"""Day at which shares still holding are told: two weeks, the usual wait for a pack (common practice, no source)."""


def sentence_of(told: PlanForecast, answer: WhatIf) -> str:
    """Say what one plan does."""
    days = answer.present.days
    # Rounded down and never all of them: that a pack holds is not flattered, and never certain.
    held, before = (
        min(math.floor(100 * float(curve[days == TOLD_DAY][0]) + 1e-9), 99)
        for curve in (told.survival, answer.present.survival)
    )
    name = _(told.plan.name)
    name = name[:1].upper() + name[1:]
    if told.verdict == "as planned":
        return _(
            "As planned, such packs hold %(days)s on average (days past day "
            "%(horizon)s not counted); on day %(day)s, %(held)s of 100 still hold."
        ) % {
            "days": about_days(told.mean_days),
            "horizon": f"{answer.present.horizon_days:g}",
            "day": TOLD_DAY,
            "held": held,
        }
    if told.verdict == "cannot tell":
        said = [_("%(plan)s: what is known is too little to tell this from the present plan.") % {"plan": name}]
    else:
        low, high = sorted((abs(told.gained_low), abs(told.gained_high)))
        gained = (
            _(
                "%(plan)s: %(days)s longer on average (between %(low)s and %(high)s); on day "
                "%(day)s, %(held)s of 100 still hold instead of %(before)s."
            )
            if told.verdict == "longer"
            else _(
                "%(plan)s: %(days)s shorter on average (between %(low)s and %(high)s); on day "
                "%(day)s, %(held)s of 100 still hold instead of %(before)s."
            )
        )
        words = {"plan": name, "days": about_days(told.gained_days), "low": f"{low:.0f}", "high": f"{high:.0f}"}
        if held == before:
            gained = (
                _(
                    "%(plan)s: %(days)s longer on average (between %(low)s and %(high)s); on day %(day)s, %(held)s of "
                    "100 still hold either way."
                )
                if told.verdict == "longer"
                else _(
                    "%(plan)s: %(days)s shorter on average (between %(low)s and %(high)s); on day %(day)s, %(held)s "
                    "of 100 still hold either way."
                )
            )
        said = [gained % {**words, "day": TOLD_DAY, "held": held, "before": before}]
    kinds = answer.present.kinds
    if told.plan.clean_joints and kinds is not None:
        said.append(
            _(
                "It helps only where a connection is bad, %(chance)s in 100 by these readings; a block that leaks or "
                "has lost capacity stays as it is."
            )
            % {"chance": round(100 * kinds["joint"])}
        )
    if told.plan.trips_share < 1 <= told.plan.km_share:
        said.append(_("Fewer trips only give the monitor fewer chances to see it: the block sinks all the same."))
    cooler = told.plan.cooler_k
    if (cooler > 0 and told.verdict == "shorter") or (cooler < 0 and told.verdict == "longer"):
        said.append(
            _("Warm cells sink less under load, so the monitor sees the block later: it is not sounder for being warm.")
        )
    if told.plan.swap_block:
        said.append(_("The rest of the pack stays as it is: from then on its next weakest block decides."))
    if told.plan.start_after_days:
        stands = ngettext(
            "The %(days)s day on which it stands is counted in.",
            "The %(days)s days on which it stands are counted in.",
            told.plan.start_after_days,
        )
        said.append(stands % {"days": told.plan.start_after_days})
        said.append(_("While it stands the weak block goes on losing charge: read it again before it starts."))
    return " ".join(said)


def sentences_of(answer: WhatIf) -> list[str]:
    """Say all plans in order, then which of them the evidence does not tell apart from one another."""
    if not answer.plans:
        return [_("No plan is weighed until what is told first has been seen to.")]
    said = [sentence_of(told, answer) for told in answer.plans]
    present = answer.plans[0].plan.name
    pairs = [pair for pair in answer.cannot_tell if present not in pair]
    if len(pairs) == 1:
        ((one, other),) = pairs
        said.append(
            _("Too little is known to tell “%(one)s” and “%(other)s” apart.") % {"one": _(one), "other": _(other)}
        )
    elif pairs:
        said.append(
            _(
                "Too little is known to rank these plans (%(count)s pairs cannot be told apart): go by the "
                "ranges, not by the order."
            )
            % {"count": len(pairs)}
        )
    return said
