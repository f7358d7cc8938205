"""The part of a report by world: a forecaster in simulated worlds that no part of it was made from."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.survival.kaplan_meier import kaplan_meier
from training.report.content import ByWorld, InWorlds, Thresholds, WorldFigures
from training.report.inputs import ReportInputs
from training.scoring import (
    NotEstimable,
    bound_coverage,
    integrated_brier_score,
    reliability,
)

DAY: Final = 14.0
"""Day on which returns told and seen are compared: the middle of the trade's one to three weeks (common practice)."""

CONFIDENCE: Final = 0.9
"""Of the good-for days that are counted."""

BINS: Final = 5
"""Bins of one world's rows; as `training.report.build` has it for so few."""

_QUANTILES: Final = (0.0, 0.25, 0.5, 0.75, 1.0)


def by_world(inputs: ReportInputs, world: Floats) -> ByWorld | None:
    """Score forecasts world by world, beside the Kaplan–Meier curve of each world's own rows.

    Parameters
    ----------
    inputs : ReportInputs
        n rows, with bounds for `CONFIDENCE`.
    world : array, shape (n,)
        Number of the world that each row is of.

    Returns
    -------
    ByWorld or None
        None if fewer than two worlds have rows enough.

    Raises
    ------
    BadInput
        If lengths do not fit.
    """
    inputs.check()
    if len(world) != len(inputs.time):
        raise BadInput.one(
            "world", f"has {len(world)} rows, but time has {len(inputs.time)}.", "Name the world of each row."
        )
    rules = Thresholds()
    found = []
    for number in np.unique(world):
        try:
            found.append(_figures(inputs.of(world == number), int(number), rules))
        except NotEstimable:
            continue
    if len(found) < 2:
        return None
    held = np.array([part.held for part in found])
    return ByWorld(
        day=DAY,
        confidence=CONFIDENCE,
        short=rules.gap,
        keeping=float(np.mean(held >= CONFIDENCE - rules.gap)),
        ratio=_spread([part.score / part.common for part in found]),
        beyond=_spread([part.forecast - part.observed for part in found]),
        error=_spread([part.error - part.error_by_chance for part in found]),
        held=_spread(held.tolist()),
        worlds=tuple(found),
    )


def _figures(inputs: ReportInputs, number: int, rules: Thresholds) -> WorldFigures:
    rules.require_rows(len(inputs.time))
    outcome = inputs.time, inputs.event
    how: dict[str, Any] = {"grid": inputs.grid}
    curve = kaplan_meier(*outcome).at(inputs.grid)
    common = np.tile(np.where(np.isnan(curve), np.nanmin(curve), curve), (len(inputs.time), 1))
    agreement = reliability(inputs.survival, *outcome, day=DAY, bins=BINS, **how)
    return WorldFigures(
        world=number,
        rows=len(inputs.time),
        score=integrated_brier_score(inputs.survival, *outcome, days=inputs.grid, **how).score,
        common=integrated_brier_score(common, *outcome, days=inputs.grid, **how).score,
        forecast=agreement.overall.forecast,
        observed=agreement.overall.observed,
        error=agreement.error,
        error_by_chance=agreement.error_by_chance,
        held=bound_coverage(inputs.bounds[CONFIDENCE], *outcome, promised=CONFIDENCE, **how).held,
    )


def _spread(values: list[float]) -> InWorlds:
    least, lower, median, upper, most = np.quantile(values, _QUANTILES).tolist()
    return InWorlds(least=least, lower=lower, median=median, upper=upper, most=most)
