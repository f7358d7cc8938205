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
    groups : sequence of GroupFigures
    rules : Thresholds

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
            f"Spread: off if the calibration slope differs from 1 by more than {rules.slope:g} and its interval "
            f"excludes 1; holds if the intervals lie within {2 * rules.slope:g} of 1; otherwise open."
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
    for days, word in ((hopeful, "Over-confident"), (gloomy, "Over-cautious")):
        if days:
            worst = max(days, key=lambda day: abs(day.reliability.overall.gap))
            part = worst.reliability.overall
            yield Verdict(
                level="off",
                topic="level",
                group=group.name,
                sentence=f"{word} {_when(days, group.days)} for {group.name}: by day {worst.day:g}, "
                f"{_per_100(part.observed)} of 100 returned where {_per_100(part.forecast)} were forecast "
                f"(interval {_per_100(part.low)} to {_per_100(part.high)}).",
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
            sentence=f"Cannot tell yet whether returns come as forecast for {group.name}: by day {wide.day:g}, "
            f"{_per_100(part.forecast)} of 100 were forecast and anything from {_per_100(part.low)} to "
            f"{_per_100(part.high)} fits what was seen.",
        )
        return
    largest = max(abs(day.reliability.overall.gap) for day in group.days)
    yield Verdict(
        level="holds",
        topic="level",
        group=group.name,
        sentence=f"Returns came about as forecast for {group.name} on "
        f"{_days(group.days)}: the largest gap is {_per_100(largest)} in 100.",
    )


def _spread(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    far = [d for d in group.days if d.line and d.line.slope_high < 1 and d.line.slope < 1 - rules.slope]
    near = [d for d in group.days if d.line and d.line.slope_low > 1 and d.line.slope > 1 + rules.slope]
    for days, word in ((far, "too far apart"), (near, "too close together")):
        if days:
            worst = max(days, key=lambda day: abs(day.line.slope - 1) if day.line else 0.0)
            if worst.line:
                yield Verdict(
                    level="off",
                    topic="spread",
                    group=group.name,
                    sentence=f"Forecast risks lie {word} {_when(days, group.days)} for {group.name}: slope "
                    f"{worst.line.slope:.2f} on day {worst.day:g} (interval {worst.line.slope_low:.2f} to "
                    f"{worst.line.slope_high:.2f}; 1 is right).",
                )
    if far or near or group.grouping:
        return
    lines = [day.line for day in group.days if day.line]
    if lines:
        low, high = min(line.slope_low for line in lines), max(line.slope_high for line in lines)
        sure = abs(low - 1) <= 2 * rules.slope and abs(high - 1) <= 2 * rules.slope
        words = (
            "Forecast risks are spread as they should be"
            if sure
            else "Cannot tell yet whether risks are spread rightly"
        )
        yield Verdict(
            level="holds" if sure else "open",
            topic="spread",
            group=group.name,
            sentence=f"{words} for {group.name}: slopes of {low:.2f} to {high:.2f} fit (1 is right).",
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
                sentence=f"Forecasts miss by {_per_100(worst.smooth.index)} in 100 on average "
                f"{_when(days, group.days)} for {group.name}; chance alone would give about "
                f"{_per_100(worst.smooth.index_by_chance or 0.0)} (day {worst.day:g}).",
            )


def _distribution(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    found = group.distribution
    even = 1 / len(found.shares)
    worst = max(range(len(found.shares)), key=lambda k: abs(found.shares[k] - even))
    much = found.shares[worst]
    off = abs(much - even) > rules.bin_share and found.p_value < rules.p_value / group.looks
    if off:
        side = "more" if much > even else "fewer"
        yield Verdict(
            level="off",
            topic="distribution",
            group=group.name,
            sentence=f"The forecast distribution does not fit {group.name}: {side} outcomes than it should have "
            f"({_per_100(much)} of 100, not {_per_100(even)}) fell where the forecast put hold probabilities of "
            f"{worst * even:.1f} to {(worst + 1) * even:.1f}.",
        )
    elif not group.grouping:
        yield Verdict(
            level="holds",
            topic="distribution",
            group=group.name,
            sentence=f"Outcomes fell evenly over the forecast distribution for {group.name}: each tenth got "
            f"{_per_100(min(found.shares))} to {_per_100(max(found.shares))} of 100.",
        )


def _bounds(group: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    judged: dict[tuple[Level, str], list[Coverage]] = {}
    for bound in group.bounds:
        judged.setdefault(_judge_bound(bound, rules), []).append(bound)
    for (level, tail), bounds in judged.items():
        parts = _list(
            f"the {bound.promised:.0%} bound held for {_per_100(bound.held)} of 100 "
            f"(interval {_per_100(bound.low)} to {_per_100(bound.high)})"
            for bound in bounds
        )
        yield Verdict(level=level, topic="bound", group=group.name, sentence=f"In {group.name}, {parts}{tail}")


def _judge_bound(bound: Coverage, rules: Thresholds) -> tuple[Level, str]:
    if bound.high < bound.promised and bound.held < bound.promised - rules.bound_short:
        return "off", ": too few."
    if bound.low < bound.promised - rules.bound_excluded:
        return "open", ": too few rows to be sure of it."
    if bound.low > bound.promised + rules.bound_spare:
        return "holds", ": more than promised, so shorter than need be."
    return "holds", "."


def _comparisons(whole: GroupFigures) -> Iterable[Verdict]:
    for other in whole.comparisons:
        gap = other.difference
        interval = f"({gap.low:+.4f} to {gap.high:+.4f})"
        level: Level = "off" if gap.low > 0 else "holds" if gap.high < 0 else "open"
        words = {"off": "is worse than", "holds": "is better than", "open": "cannot be told from"}[level]
        yield Verdict(
            level=level,
            topic="comparison",
            group=whole.name,
            sentence=f"This model {words} {other.name} in mean squared error: {whole.score.score:.4f} against "
            f"{other.score.score:.4f}, difference {gap.difference:+.4f} {interval}.",
        )


def _cut_weights(whole: GroupFigures, rules: Thresholds) -> Iterable[Verdict]:
    for day in whole.days:
        cut = day.reliability.truncated / day.reliability.overall.rows
        if cut > rules.cut_weights:
            yield Verdict(
                level="open",
                topic="follow-up",
                group=whole.name,
                sentence=f"Follow-up is thin by day {day.day:g}: the weights of {_per_100(cut)} of 100 rows were cut, "
                "so figures for that day may lean to one side.",
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
