"""Judging the figures by stated rules that can come out badly, sampling error taken into account."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from training.report.content import DayFigures, GroupFigures, Level, Thresholds, Verdict
from training.scoring import Coverage


def judge(whole: GroupFigures, groups: Sequence[GroupFigures], rules: Thresholds) -> tuple[Verdict, ...]:
    """Judge all rows and each group.

    Parameters
    ----------
    whole : GroupFigures
        All rows.

    Returns
    -------
    tuple of Verdict
        What is off first, then what is open, then what holds; within each, all rows before the groups.
    """
    found = [verdict for group in (whole, *groups) for verdict in _group(group, rules)]
    found += _comparisons(whole)
    found += _cut_weights(whole, rules)
    order: dict[Level, int] = {"off": 0, "open": 1, "holds": 2}
    return tuple(sorted(found, key=lambda verdict: order[verdict.level]))


def rules_in_words(rules: Thresholds) -> tuple[str, ...]:
    """Say each rule in a sentence, for the page."""
    gap, short = _per_100(rules.gap), _per_100(rules.bound_short)
    return (
        (
            "Intervals are wide enough that those of all rows, on all days together, cover the truth in "
            f"{_per_100(rules.confidence)} of 100 such reports, and so do those of all groups together; p values are "
            "held to the same standard."
        ),
        (
            f"Level: off if returns differ from the forecast by more than {gap} in 100 and the interval excludes the "
            f"forecast; holds if no day is off and gaps above {_per_100(rules.gap_excluded)} in 100 are excluded; "
            "otherwise open."
        ),
        (
            "Spread: off if returns rise more or less steeply than the forecasts (the calibration slope, 1 if alike) "
            f"by more than {rules.slope:g} and the interval excludes 1; holds if the intervals lie within "
            f"{2 * rules.slope:g} of 1; otherwise open."
        ),
        (
            f"Fit: off if the calibration curve lies more than {gap} in 100 beyond what chance explains from the "
            f"forecasts, on average, and the test over the bins gives p below {rules.p_value:g}."
        ),
        (
            f"Distribution: off if a tenth of the forecast distribution holds more than {_per_100(rules.bin_share)} "
            f"in 100 too many or too few outcomes and p is below {rules.p_value:g}."
        ),
        (
            f"Bound: off if fewer packs held than promised, by more than {short} in 100, and the interval excludes "
            f"the promise; open if a shortfall of {_per_100(rules.bound_excluded)} in 100 is not excluded; otherwise "
            "holds."
        ),
        (
            "Comparison: off if the interval of the difference in squared error says the other forecast is better; "
            "holds if it says this model is; otherwise open."
        ),
    )


def _group(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    yield from _level(group, rules)
    yield from _spread(group, rules)
    yield from _fit(group, rules)
    yield from _distribution(group, rules)
    yield from _bounds(group, rules)


def _level(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    hopeful = [day for day in group.days if _is_off(day, rules) and day.reliability.overall.gap > 0]
    gloomy = [day for day in group.days if _is_off(day, rules) and day.reliability.overall.gap < 0]
    for days, word in ((hopeful, "More"), (gloomy, "Fewer")):
        if days:
            worst = max(days, key=lambda day: abs(day.reliability.overall.gap))
            part = worst.reliability.overall
            yield Verdict(
                level="off",
                topic="level",
                group=group.name,
                sentence=f"{word} came back than forecast {_when(days, group.days)}, of {group.whom}: by day "
                f"{worst.day:g} it was {_per_100(part.observed)} of 100, where {_per_100(part.forecast)} were forecast "
                f"(chance leaves {_per_100(part.low)} to {_per_100(part.high)}).",
            )
    if hopeful or gloomy:
        return
    wide = max(group.days, key=_largest_gap)
    part = wide.reliability.overall
    if _largest_gap(wide) > rules.gap_excluded:
        yield Verdict(
            level="open",
            topic="level",
            group=group.name,
            sentence=f"Too few were watched to say whether as many come back as forecast, of {group.whom}: by day "
            f"{wide.day:g} {_per_100(part.forecast)} of 100 were forecast, and anything from {_per_100(part.low)} to "
            f"{_per_100(part.high)} fits what was seen.",
        )
        return
    largest = max(abs(day.reliability.overall.gap) for day in group.days)
    yield Verdict(
        level="holds",
        topic="level",
        group=group.name,
        sentence=f"As many came back as forecast on {_days(group.days)}, of {group.whom} (the largest gap is "
        f"{_per_100(largest)} in 100).",
    )


def _spread(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    far = [d for d in group.days if d.line and d.line.slope_high < 1 and d.line.slope < 1 - rules.slope]
    near = [d for d in group.days if d.line and d.line.slope_low > 1 and d.line.slope > 1 + rules.slope]
    for days, good, bad in (
        (far, "comes back more often than it says", "less often"),
        (near, "comes back less often than it says", "more often"),
    ):
        if days:
            worst = max(days, key=lambda day: abs(day.line.slope - 1) if day.line else 0.0)
            if worst.line:
                yield Verdict(
                    level="off",
                    topic="spread",
                    group=group.name,
                    sentence=f"What it takes for a good pack {good}, and what it takes for a bad one {bad}, "
                    f"{_when(days, group.days)}, of {group.whom} (returns rise {worst.line.slope:.2f} times as steeply "
                    f"as the forecasts on day {worst.day:g}, {worst.line.slope_low:.2f} to "
                    f"{worst.line.slope_high:.2f}: the calibration slope; 1 is right).",
                )
    if far or near or group.grouping:
        return
    lines = [day.line for day in group.days if day.line]
    if lines:
        low, high = min(line.slope_low for line in lines), max(line.slope_high for line in lines)
        sure = abs(low - 1) <= 2 * rules.slope and abs(high - 1) <= 2 * rules.slope
        words = (
            "It tells good packs from bad ones as far as it should"
            if sure
            else "Too few were watched to say whether it tells good packs from bad ones as far as it should"
        )
        yield Verdict(
            level="holds" if sure else "open",
            topic="spread",
            group=group.name,
            sentence=f"{words}, of {group.whom} (returns rise {low:.2f} to {high:.2f} times as steeply as the "
            "forecasts: the calibration slope; 1 is right).",
        )


def _fit(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    days = [
        day
        for day in group.days
        if day.smooth
        and day.smooth.index > rules.gap + (day.smooth.index_by_chance or 0.0)
        and day.reliability.p_value < rules.p_value / group.looks
    ]
    if days:
        worst = max(days, key=lambda day: day.smooth.index if day.smooth else 0.0)
        if worst.smooth:
            yield Verdict(
                level="off",
                topic="fit",
                group=group.name,
                sentence=f"Pack by pack its chance of coming back is out by {_per_100(worst.smooth.index)} in 100 on "
                f"average {_when(days, group.days)}, of {group.whom} (the calibration index, of day {worst.day:g}; by "
                f"chance alone it would be {_per_100(worst.smooth.index_by_chance or 0.0)}).",
            )


def _distribution(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    found = group.distribution
    even = 1 / len(found.shares)
    worst = max(range(len(found.shares)), key=lambda k: abs(found.shares[k] - even))
    much = found.shares[worst]
    off = abs(much - even) > rules.bin_share and found.p_value < rules.p_value / group.looks
    if off:
        side = "More" if much > even else "Fewer"
        yield Verdict(
            level="off",
            topic="distribution",
            group=group.name,
            sentence=f"{side} came back than should have while the forecast gave them {_per_100(worst * even)} to "
            f"{_per_100((worst + 1) * even)} of 100 to hold, of {group.whom}: {_per_100(much)} of 100, not "
            f"{_per_100(even)}.",
        )
    elif not group.grouping:
        yield Verdict(
            level="holds",
            topic="distribution",
            group=group.name,
            sentence=f"They came back early, in the middle and late as often as forecast, of {group.whom} (each tenth "
            f"of the forecast got {_per_100(min(found.shares))} to {_per_100(max(found.shares))} of 100).",
        )


def _bounds(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    judged: dict[tuple[Level, str], list[Coverage]] = {}
    for bound in group.bounds:
        judged.setdefault(_judge_bound(bound, rules), []).append(bound)
    for (level, tail), bounds in judged.items():
        parts = _list(
            f"{_per_100(bound.held)} held where {_per_100(bound.promised)} were promised "
            f"({_per_100(bound.low)} to {_per_100(bound.high)})"
            for bound in bounds
        )
        yield Verdict(
            level=level,
            topic="bound",
            group=group.name,
            sentence=f"Of 100 promises of days, of {group.whom}, {parts}{tail}",
        )


def _judge_bound(bound: Coverage, rules: Thresholds) -> tuple[Level, str]:
    if bound.high < bound.promised and bound.held < bound.promised - rules.bound_short:
        return "off", ": too few."
    if bound.low < bound.promised - rules.bound_excluded:
        return "open", ": too few were watched to be sure of it."
    if bound.low > bound.promised + rules.bound_spare:
        return "holds", ": more than promised, so the days are shorter than need be."
    return "holds", "."


def _comparisons(whole: GroupFigures) -> Iterable[Verdict]:
    for other in whole.comparisons:
        gap = other.difference
        level: Level = "off" if gap.low > 0 else "holds" if gap.high < 0 else "open"
        words = {
            "off": "It forecasts worse than {}",
            "holds": "It forecasts better than {}",
            "open": "It cannot be told whether it forecasts better than {}",
        }[level].format(other.whose)
        yield Verdict(
            level=level,
            topic="comparison",
            group=whole.name,
            sentence=f"{words} (squared error {whole.score.score:.4f} against {other.score.score:.4f}, difference "
            + f"{gap.difference:+.4f}, {gap.low:+.4f} to {gap.high:+.4f}; lower is better).".replace("-", "−"),
        )


def _cut_weights(whole: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    for day in whole.days:
        cut = day.reliability.truncated / day.reliability.overall.rows
        if cut > rules.cut_weights:
            yield Verdict(
                level="open",
                topic="follow-up",
                group=whole.name,
                sentence=f"Few were watched as far as day {day.day:g}, so the figures of that day may lean to one side "
                f"(the weights of {_per_100(cut)} of 100 moments were cut).",
            )


def _is_off(day: DayFigures, rules: Thresholds) -> bool:
    part = day.reliability.overall
    return abs(part.gap) > rules.gap and not part.low <= part.forecast <= part.high


def _largest_gap(day: DayFigures) -> float:
    part = day.reliability.overall
    return max(abs(part.low - part.forecast), abs(part.high - part.forecast))


def _when(days: Sequence[DayFigures], judged: Sequence[DayFigures]) -> str:
    """Say on which of the judged days something is so: throughout, from or up to a day, or on days a and b."""
    chosen, everything = [day.day for day in days], [day.day for day in judged]
    if chosen == everything and len(chosen) > 1:
        return "throughout"
    if len(chosen) > 1 and chosen == everything[-len(chosen) :]:
        return f"from day {chosen[0]:g} on"
    if len(chosen) > 1 and chosen == everything[: len(chosen)]:
        return f"up to day {chosen[-1]:g}"
    return f"on {_days(days)}"


def _days(days: Sequence[DayFigures]) -> str:
    return f"day{'s' if len(days) > 1 else ''} {_list(f'{day.day:g}' for day in days)}"


def _list(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def _per_100(share: float) -> str:
    return f"{100 * share:.1f}".removesuffix(".0")
