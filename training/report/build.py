"""Computing a calibration report."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np

from models.base import counts
from models.base.arrays import Floats
from models.base.day_grid import GRID_VERSION, REPORT_DAYS
from models.base.percents import level_percent
from models.survival.censoring_weights import censoring_weights
from models.survival.kaplan_meier import censoring_distribution
from training.report.content import (
    BrierByDay,
    CalibrationReport,
    Comparison,
    DayFigures,
    FollowUp,
    GroupFigures,
    Thresholds,
    TooSmall,
)
from training.report.inputs import Origin, ReportInputs
from training.report.verdicts import judge
from training.scoring import (
    NotEstimable,
    bound_coverage,
    brier_score,
    calibration_line,
    distribution_calibration,
    harrell_c,
    integrated_brier_difference,
    integrated_brier_score,
    integrated_calibration_index,
    reliability,
    uno_c,
)

CAUTIONS: Final = (
    (
        "A probability is not permission to drive. A car released on a topped-up pack may stop without warning: no "
        "motorway, no remote trips, a plan for recovery."
    ),
    (
        "Work on a high-voltage pack is for trained, licensed technicians under local rules and the maker's service "
        "instructions; nothing in this report takes their place."
    ),
    (
        "Good figures here speak for packs like those scored. They say nothing about a family, climate or fault that "
        "was not among them."
    ),
)

_ORIGIN: Final[dict[tuple[Origin, Origin], str]] = {
    ("both", "shop"): (
        "The model was trained on simulated packs, learned further from the shop's own outcomes, and is scored here on "
        "other real outcomes."
    ),
    ("both", "simulation"): (
        "The model was trained on simulated packs and learned further from the shop's own outcomes, but is scored here "
        "on simulated packs. These figures show calibration against the simulation, not against cars in the street."
    ),
    ("simulation", "simulation"): (
        "The model was trained on simulated packs and is scored here on other simulated packs. These figures show "
        "calibration against the simulation, not against cars in the street."
    ),
    ("simulation", "shop"): (
        "The model was trained on simulated packs and is scored here on real outcomes from the shop's own records."
    ),
    ("shop", "shop"): "The model was trained on real outcomes and is scored here on other real outcomes.",
    ("shop", "simulation"): (
        "The model was trained on real outcomes but is scored here on simulated packs. These figures show calibration "
        "against the simulation, not against cars in the street."
    ),
}

_MANY_BINS, _FEW_BINS, _ROWS_FOR_MANY_BINS = 10, 5, 1000

_Found = TypeVar("_Found")


def build_report(inputs: ReportInputs, thresholds: Thresholds | None = None) -> CalibrationReport:
    """Score held-out forecasts, overall and by group, against peers, and judge them by stated rules.

    Parameters
    ----------
    thresholds : Thresholds, optional
        The rules' numbers; the project's own if not given.

    Raises
    ------
    BadInput
        If lengths or values do not fit.
    NotEstimable
        If the rows as a whole are fewer than `Thresholds.least_rows`, or no report day has enough of known status.
    """
    inputs.check()
    rules = Thresholds() if thresholds is None else thresholds
    whole = _figures(inputs, "", "", rules, len(REPORT_DAYS))
    members = [
        (grouping, str(value), labels.astype(str) == value)
        for grouping, labels in inputs.groups.items()
        for value in np.unique(labels.astype(str))
    ]
    # Many looks at calibrated forecasts would turn up something by chance: all groups share one allowance for it.
    looks = len(REPORT_DAYS) * max(sum(rows.sum() >= rules.least_rows for _, _, rows in members), 1)
    groups: list[GroupFigures] = []
    too_small: list[TooSmall] = []
    for grouping, value, rows in members:
        try:
            groups.append(_figures(inputs.of(rows), grouping, value, rules, looks))
        except NotEstimable as error:
            too_small.append(TooSmall(grouping=grouping, value=value, rows=int(rows.sum()), why=str(error)))
    return CalibrationReport(
        made_at=inputs.made_at,
        model=dict(inputs.model),
        trained_on=inputs.trained_on,
        scored_on=inputs.scored_on,
        origin_sentence=origin_sentence(inputs.trained_on, inputs.scored_on),
        grid_version=GRID_VERSION,
        horizon_days=float(inputs.grid[-1]),
        thresholds=rules,
        verdicts=judge(whole, groups, rules),
        follow_up=_follow_up(inputs),
        whole=whole,
        uno=_or_none(lambda: uno_c(_risk(inputs), *_outcome(inputs), until=float(inputs.grid[-1]))),
        harrell=_or_none(lambda: harrell_c(_risk(inputs), *_outcome(inputs))),
        brier_by_day=_brier_by_day(inputs),
        limit=inputs.limit,
        groups=tuple(groups),
        too_small=tuple(too_small),
        cautions=CAUTIONS,
    )


def origin_sentence(trained_on: Origin, scored_on: Origin) -> str:
    """Say what figures about these rows allow to conclude."""
    return _ORIGIN[trained_on, scored_on]


def _outcome(inputs: ReportInputs) -> tuple[Any, Any, Any]:
    return inputs.time, inputs.event, inputs.entry


def _risk(inputs: ReportInputs) -> Any:
    """Order the packs by their forecast days held within the horizon."""
    return -np.trapezoid(inputs.survival, inputs.grid, axis=1)


def _figures(inputs: ReportInputs, grouping: str, value: str, rules: Thresholds, looks: int) -> GroupFigures:
    rules.require_rows(len(inputs.time))
    missing: list[str] = []
    each = 1 - (1 - rules.confidence) / looks
    days = tuple(found for day in REPORT_DAYS if (found := _day(inputs, day, rules, each, missing)))
    if not days:
        raise NotEstimable(f"no report day with {rules.least_known} rows of known status")
    bounds = []
    for confidence, days_held in sorted(inputs.bounds.items()):
        named = f"{level_percent(confidence)} bound"
        coverage = _or_note(
            partial(
                bound_coverage,
                days_held,
                *_outcome(inputs),
                promised=confidence,
                grid=inputs.grid,
                censoring=inputs.censoring,
                confidence=each,
            ),
            named,
            missing,
        )
        if coverage is not None:
            bounds.append(coverage)
    how: dict[str, Any] = {"grid": inputs.grid, "censoring": inputs.censoring}
    nodes = _watched_days(inputs)
    return GroupFigures(
        grouping=grouping,
        value=value,
        looks=looks,
        rows=len(inputs.time),
        returned=int((inputs.event & (inputs.time <= inputs.grid[-1])).sum()),
        days=days,
        distribution=distribution_calibration(inputs.survival, *_outcome(inputs), grid=inputs.grid),
        bounds=tuple(bounds),
        score=integrated_brier_score(inputs.survival, *_outcome(inputs), days=nodes, **how),
        comparisons=tuple(
            Comparison(
                name=name,
                score=integrated_brier_score(curves, *_outcome(inputs), days=nodes, **how),
                difference=integrated_brier_difference(
                    inputs.survival, curves, *_outcome(inputs), days=nodes, confidence=each, **how
                ),
            )
            for name, curves in inputs.peers.items()
        ),
        missing=tuple(missing),
    )


def _watched_days(inputs: ReportInputs) -> Floats:
    """Return the grid days on which somebody had entered; all of them unless every row entered late."""
    first = 0.0 if inputs.entry is None else float(inputs.entry.min())
    return inputs.grid if first <= 0 else inputs.grid[inputs.grid > first]


def _day(inputs: ReportInputs, day: float, rules: Thresholds, each: float, missing: list[str]) -> DayFigures | None:
    outcome = _outcome(inputs)
    found = censoring_weights(
        inputs.time, inputs.event, [day], inputs.entry, censoring=inputs.censoring, grid=inputs.grid
    )
    known = int((found.weights > 0).sum())
    if known < rules.least_known:
        missing.append(f"Day {day:g}: only {counts.rows(known)} of known status.")
        return None
    how: dict[str, Any] = {
        "day": day,
        "grid": inputs.grid,
        "censoring": inputs.censoring,
        "confidence": each,
    }
    notes: list[str] = []
    bins = _MANY_BINS if known >= _ROWS_FOR_MANY_BINS else _FEW_BINS
    return DayFigures(
        day=day,
        reliability=reliability(inputs.survival, *outcome, bins=bins, **how),
        smooth=_or_note(lambda: integrated_calibration_index(inputs.survival, *outcome, **how), "Curve", notes),
        line=_or_note(lambda: calibration_line(inputs.survival, *outcome, **how), "Slope", notes),
        missing=tuple(notes),
    )


def _or_note(score: Callable[[], _Found], named: str, notes: list[str]) -> _Found | None:
    try:
        return score()
    except NotEstimable as error:
        notes.append(f"{named}: {error}.")
        return None


def _or_none(score: Callable[[], _Found]) -> _Found | None:
    return _or_note(score, "", [])


def _brier_by_day(inputs: ReportInputs) -> tuple[BrierByDay, ...]:
    curves: list[tuple[str, Any, Any]] = [("This model", "model", inputs.survival)]
    curves += [(name, "peer", part) for name, part in inputs.peers.items()]
    return tuple(
        BrierByDay(
            name=name,
            role=role,
            score=brier_score(
                part, *_outcome(inputs), days=_watched_days(inputs), grid=inputs.grid, censoring=inputs.censoring
            ),
        )
        for name, role, part in curves
    )


def _follow_up(inputs: ReportInputs) -> FollowUp:
    horizon = float(inputs.grid[-1])
    event = np.asarray(inputs.event)
    curve = censoring_distribution(*_outcome(inputs))
    found = censoring_weights(
        inputs.time, event, REPORT_DAYS, inputs.entry, censoring=inputs.censoring, grid=inputs.grid
    )
    median = curve.quantile(0.5)
    followed = curve.at(np.minimum(REPORT_DAYS, curve.last_day), before=True)
    return FollowUp(
        rows=len(event),
        returned=int((event & (inputs.time <= horizon)).sum()),
        lost=int((~event & (inputs.time < horizon)).sum()),
        held_to_horizon=int(((inputs.time > horizon) | (~event & (inputs.time >= horizon))).sum()),
        late_entries=0 if inputs.entry is None else int((inputs.entry > 0).sum()),
        median_days=None if np.isnan(median) else median,
        days=REPORT_DAYS,
        followed=tuple(float(share) for share in followed),
        unknown=tuple(int(k) for k in (found.eligible & (found.weights == 0)).sum(axis=0)),
        by_row=inputs.censoring is not None,
    )
