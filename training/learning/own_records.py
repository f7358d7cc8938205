"""Learning from a workshop's own record, as far as it goes: recalibrated, retrained together, or on its own."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final, Literal

import joblib
import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from models.base.day_grid import DAYS, GRID_VERSION
from models.calibration.conformal import ConformalBound, ShrunkenBound
from models.calibration.few_outcomes import TOLL, ShiftRecalibration
from models.calibration.recalibration import (
    GroupRecalibration,
    Recalibration,
    RecalibrationStep,
    SuccessiveRecalibration,
)
from models.forecaster import Forecaster
from models.forecasts.evidence import evidence_group
from models.forecasts.seen_range import SeenRange
from models.packs.family import PackFamily
from models.packs.tables import HistoryTables
from models.survival.estimator import SurvivalEstimator
from training.learning.back_test import BackTest, back_test, cuts_of, known_by, paired_difference
from training.learning.fitting import FitSettings, Progress, data_digest, new_member, split_rows
from training.learning.moments import SurvivalRows, fold_of, moments_of, survival_rows
from training.report import CalibrationReport, ReportInputs, build_report
from training.report.inputs import Origin
from training.scoring import NotEstimable
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

Floats = NDArray[np.float64]
Way = Literal["as it stands", "bound alone", "recalibrated", "recalibrated finely", "together", "alone"]

PRIOR_OUTCOMES: Final = 100.0
"""Made-up outcomes that agree with the model as it stands, against which own returns bend a fine recalibration."""

SHIFT_RETURNS: Final = 60
"""Own returns from which curves are moved. With fewer, one record in thirty moves them further off than they were, even
where they are off (`tests/benchmarks/bench_learning.py`); the good-for bound leans on own outcomes from the first."""

FINE_RETURNS: Final = 300
"""Own returns from which recalibration is fine: fifteen numbers rather than three. Invented."""

BOUND_PRIOR_PACKS: Final = 200.0
"""Packs that the earlier bound counts as against the own ones. At 90 % it then rests on about twenty failures."""

TOGETHER_RETURNS: Final = 150
ALONE_RETURNS: Final = 400
"""Own returns from which members are fitted again on simulated and own rows, and on own rows alone. Invented."""

OWN_WEIGHTS: Final = (2.0, 10.0)
"""Weights of an own row against a simulated one that are tried."""

BACK_TEST_RETURNS: Final = 40
"""Own returns from which the back-test is worth its time."""

BACK_TEST_MEMBERS: Final = 2
BACK_TEST_PASSES: Final = 12
BACK_TEST_ROWS: Final = 20_000
"""On simulated and own rows together the back-test tries networks alone, of a third of the epochs, on so many of the
simulated rows, in far less time than what is then fitted takes. They err more, so the trial leans to the simpler
ways."""

CROSS_FOLDS: Final = 5
CURRENT: Final = "current"
"""Name, in a back-test, of the model that answers now."""


@dataclass(frozen=True)
class Recipe:
    """One way of learning.

    Attributes
    ----------
    way : str
    weight : float
        Of an own row against a simulated one; only with "together".
    """

    way: Way
    weight: float = 0.0

    @property
    def name(self) -> str:
        """How it is called in tables and sentences."""
        return f"together, own rows times {self.weight:g}" if self.way == "together" else self.way


@dataclass(frozen=True)
class Start:
    """What learning starts from.

    Attributes
    ----------
    forecaster : Forecaster
        Has learned nothing from this record.
    simulated : callable, optional
        Gives the rows its members were trained on, or None; called only if they are needed. Without them nothing is
        trained together.
    """

    forecaster: Forecaster
    simulated: Callable[[], SurvivalRows | None] | None = None


@dataclass(frozen=True)
class OwnRows:
    """A record's moments, ready to learn from.

    Attributes
    ----------
    rows : SurvivalRows
    group : array of str, shape (n,)
    share : float
        Top-ups per row. Moments of one top-up end together, so together they count as one outcome; the same for each
        row, because weighing rows by how often a pack was seen would favour those that were soon back.
    returns, fates : int
        Top-ups followed by a return within the horizon, and by any recorded fate.
    """

    rows: SurvivalRows
    group: NDArray[np.object_]
    share: float
    returns: int
    fates: int

    @classmethod
    def of(cls, known: HistoryTables, seed: int) -> OwnRows:
        """Read a record as it stood at some moment (`training.learning.back_test.known_by`)."""
        rows = survival_rows(known, moments_of(known, np.random.default_rng([seed, 9])))
        topup = rows.moments["topup"].to_numpy()
        back = rows.event & (rows.time <= DAYS[-1])
        count = len(np.unique(topup))
        fates = int((known.outcomes["kind"] != "running").sum())
        group = evidence_group(rows.X)
        return cls(rows, group, count / max(len(rows), 1), len(np.unique(topup[back])), fates)


@dataclass(frozen=True)
class Standing:
    """How one recipe did in the back-test.

    Attributes
    ----------
    recipe : str
    log_score : float
        Mean over moments, nats; lower is better.
    difference, standard_error : float
        Its score less that of the model as it stands, with the error counted by packs.
    """

    recipe: str
    log_score: float
    difference: float
    standard_error: float


@dataclass(frozen=True)
class Learned:
    """A forecaster that has learned from a record, and why it learned that way.

    Attributes
    ----------
    forecaster : Forecaster
    recipe : Recipe
    standings : tuple of Standing
        Empty if the record was too small for a back-test.
    back_test : BackTest or None
    why : str
        A sentence.
    facts : dict
        For the manifest.
    """

    forecaster: Forecaster
    recipe: Recipe
    standings: tuple[Standing, ...]
    back_test: BackTest | None
    why: str
    facts: dict[str, Any] = field(default_factory=dict)


def learn_from_records(
    start: Start,
    record: HistoryTables,
    at: datetime,
    *,
    current: Forecaster | None = None,
    settings: FitSettings | None = None,
    progress: Progress | None = None,
) -> Learned:
    """Learn from a workshop's record as it stands at a moment.

    Parameters
    ----------
    start : Start
    record : HistoryTables
    at : datetime
        With offset; what is recorded for later is not used.
    current : Forecaster, optional
        Answers now, and is not `start`: the back-test then also says what it would have forecast, under "current".
    settings : FitSettings, optional
        For members that are fitted again.
    progress : callable, optional
        Called with steps done, steps in all and what is being done.

    Returns
    -------
    Learned
        With few returns recalibrated, with shrinkage to the model as it stands; with more, whatever did best in the
        time-ordered back-test, the simpler one unless the other is better by more than its standard error.
    """
    settings = settings or FitSettings()
    known = known_by(record, at)
    own = OwnRows.of(known, settings.seed)
    simulated = None
    if own.returns >= TOGETHER_RETURNS and start.simulated is not None:
        simulated = start.simulated()
    recipes = recipes_for(own.returns, simulated is not None)

    def make(tables: HistoryTables, recipe: Recipe, how: FitSettings, beside: SurvivalRows | None) -> Forecaster:
        if recipe.way == "as it stands":
            return start.forecaster
        rows = OwnRows.of(tables, settings.seed)
        return _follow(start.forecaster, rows, recipe, tables, how, beside)

    def hurry(tables: HistoryTables, recipe: Recipe) -> Forecaster:
        if recipe.way != "together" or simulated is None:
            return make(tables, recipe, quick, simulated)
        share = min(BACK_TEST_ROWS / len(simulated), 1.0)
        drawn = np.random.default_rng([settings.seed, 12]).random(len(simulated)) < share
        some = simulated.take(np.flatnonzero(drawn))
        # Own rows weigh as much against fewer simulated ones.
        return make(tables, replace(recipe, weight=recipe.weight * share), hurried, some)

    tested: BackTest | None = None
    steps = 2
    quick = replace(settings, members=BACK_TEST_MEMBERS)
    hurried = replace(quick, trees=False, epochs=min(settings.epochs, BACK_TEST_PASSES))
    if own.returns >= BACK_TEST_RETURNS:
        cuts = cuts_of(record, at)
        steps += len(cuts) * len(recipes)
        done = 0

        def counted(recipe: Recipe) -> Callable[[HistoryTables], Forecaster]:
            def maker(tables: HistoryTables) -> Forecaster:
                nonlocal done
                if progress is not None:
                    progress(done, steps, f"trying on the past: {recipe.name}")
                done += 1
                return hurry(tables, recipe)

            return maker

        makers = {r.name: counted(r) for r in recipes}
        if current is not None:
            makers[CURRENT] = lambda _: current
        tested = back_test(record, at, makers, cuts, seed=settings.seed)
    standings = _standings(tested, recipes)
    chosen, why = choose(recipes, tested, own.returns)
    if progress is not None:
        progress(steps - 2, steps, f"learning: {chosen.name}")
    forecaster = make(known, chosen, settings, simulated)
    if forecaster.bank is not None and forecaster.members is not start.forecaster.members:
        # Other members draw other conclusions from the same evidence.
        forecaster.bank = forecaster.bank.summarised(forecaster.summary)
    why = _unmoved(forecaster, own.returns) or why
    digest = data_digest(known)
    if chosen.way != "as it stands":
        # Named by what it is, as a model from a simulation is.
        forecaster.model_id = ""
        forecaster.model_id = hashlib.sha256(f"{joblib.hash(forecaster)} {digest}".encode()).hexdigest()[:12]
    if progress is not None:
        progress(steps, steps, "done")
    facts = {
        "data_digest": digest,
        "packs": int(known.packs.shape[0]),
        "moments": len(own.rows),
        "returns": own.returns,
        "recorded_fates": own.fates,
        "effective_returns": effective_returns(own, chosen, simulated),
        "seed": settings.seed,
        "base_model": start.forecaster.model_id,
        "learned_until": at.isoformat(),
        "way": chosen.name,
        "why": why,
        "back_test": [vars(s) for s in standings],
        "grid_version": GRID_VERSION,
        "trained_on": {"alone": "shop", "as it stands": "simulation"}.get(chosen.way, "both"),
    }
    return Learned(forecaster, chosen, standings, tested, why, facts)


def simulated_rows(
    packs: int,
    seed: int,
    habits: WorkshopHabits,
    families: Mapping[str, PackFamily],
    digest: str,
    workers: int,
    *,
    apart: bool,
) -> SurvivalRows | None:
    """Make again the rows that a simulated model's members were trained on; None if the simulation has changed.

    Parameters
    ----------
    packs, seed, habits, families
        Of its cohort.
    digest : str
        `training.learning.fitting.data_digest` of the tables it was trained on.
    workers : int
    apart : bool
        Some of them were kept to calibrate on (`training.learning.fitting.split_rows`).
    """
    plan = CohortPlan(packs=packs, seed=seed, habits=habits)
    cohort = simulate_cohort(plan, families=families, workers=workers)
    if data_digest(cohort.tables) != digest:
        return None
    moments = moments_of(cohort.tables, np.random.default_rng([seed, 7]))
    rows = survival_rows(cohort.tables, moments, cohort.truth)
    return split_rows(rows, apart=apart)[0]


def report_of(learned: Learned, before: CalibrationReport, made_at: str) -> CalibrationReport:
    """Report on the back-test: what the chosen way of learning forecast before it knew the outcome.

    Where that is too little, the report of the model that learning started from stands, and says what it is about.
    """
    tested, name = learned.back_test, learned.recipe.name
    trained_on: Origin = learned.facts["trained_on"]
    model = {"model": learned.forecaster.model_id, "learned": learned.why, "grid": GRID_VERSION}
    if tested is not None:
        try:
            return build_report(
                ReportInputs(
                    survival=tested.curves[name],
                    time=tested.rows.time,
                    event=tested.rows.event,
                    trained_on=trained_on,
                    scored_on="shop",
                    peers={"As it stood": tested.curves["as it stands"]},
                    bounds=tested.bounds[name],
                    groups={"situation": evidence_group(tested.rows.X)},
                    model=model,
                    made_at=made_at,
                )
            )
        except NotEstimable:
            pass
    return before.model_copy(
        update={
            "model": dict(before.model) | model,
            "trained_on": trained_on,
            "origin_sentence": (
                "The record is too small yet to score what was learned from it. These figures are those of the model "
                "that learning started from. " + before.origin_sentence
            ),
        }
    )


def recipes_for(returns: int, with_simulation: bool) -> list[Recipe]:
    """List the ways of learning that so many own returns can carry, the simplest first."""
    if returns == 0:
        return [Recipe("as it stands")]
    ways: dict[Way, int] = {"bound alone": 1, "recalibrated": SHIFT_RETURNS, "recalibrated finely": FINE_RETURNS}
    found = [Recipe("as it stands"), Recipe([way for way, least in ways.items() if returns >= least][-1])]
    if returns >= TOGETHER_RETURNS and with_simulation:
        found += [Recipe("together", weight) for weight in OWN_WEIGHTS]
    if returns >= ALONE_RETURNS:
        found.append(Recipe("alone"))
    return found


def choose(recipes: list[Recipe], tested: BackTest | None, returns: int) -> tuple[Recipe, str]:
    """Choose a recipe, and say why.

    Shrinkage keeps recalibration from doing harm with few returns, so it needs no trial. A more complex recipe takes
    the place of a simpler one only where its log score in the back-test is better by more than the standard error of
    the difference (the one-standard-error rule: Breiman, Friedman, Olshen & Stone 1984, section 3.4.3; from memory,
    unverified).
    """
    if len(recipes) == 1:
        return recipes[0], "No return is recorded yet, so the model stays as it is."
    best = recipes[1]
    if tested is None or len(recipes) == 2:
        return (
            best,
            f"With {returns} recorded returns "
            + (
                f"the curves stay as they are (it takes {SHIFT_RETURNS} to move them); the bound leans on them."
                if best.way == "bound alone"
                else "the model is recalibrated, drawn to what it said before."
            ),
        )
    why = "nothing more complex was better by more than its standard error"
    for recipe in recipes[2:]:
        found = paired_difference(tested.surprise(recipe.name), tested.surprise(best.name), tested.packs())
        if found.mean + found.standard_error < 0:
            why = (
                f"its log score was better than that of “{best.name}” by {-found.mean:.4f} "
                f"(standard error {found.standard_error:.4f})"
            )
            best = recipe
    return best, f"{best.name}: tried on {len(tested.rows)} moments of {len(np.unique(tested.packs()))} packs, {why}."


def _unmoved(forecaster: Forecaster, returns: int) -> str | None:
    """Say so if recalibration found too little to move anything."""
    steps = _steps(forecaster.recalibration)
    if steps and isinstance(steps[-1], ShiftRecalibration) and steps[-1].share_ == 0:
        return (
            f"With {returns} recorded returns nothing yet speaks clearly against the model: a change would gain "
            f"{steps[-1].gain_:.1f} nats, and more than {TOLL:g} are asked for. Only its good-for bound leans on them."
        )
    return None


def _standings(tested: BackTest | None, recipes: list[Recipe]) -> tuple[Standing, ...]:
    if tested is None:
        return ()
    before = tested.surprise(recipes[0].name)
    found = []
    for recipe in recipes:
        score = tested.surprise(recipe.name)
        gap = paired_difference(score, before, tested.packs())
        found.append(Standing(recipe.name, float(score.mean()), gap.mean, gap.standard_error))
    return tuple(found)


def effective_returns(own: OwnRows, recipe: Recipe, simulated: SurvivalRows | None) -> float:
    r"""Equally weighted returns that would carry as much as those learned from (Kish: :math:`(\sum w)^2 / \sum w^2`).

    With recalibration each own return counts once; the prior it is held by is not counted.
    """
    if recipe.way == "as it stands":
        return 0.0
    if recipe.way != "together":
        return float(own.returns)
    assert simulated is not None
    fixed = float((simulated.event & (simulated.time <= DAYS[-1])).sum())
    mine = own.returns
    return (fixed + recipe.weight * mine) ** 2 / (fixed + recipe.weight**2 * mine)


def _follow(
    base: Forecaster,
    own: OwnRows,
    recipe: Recipe,
    tables: HistoryTables,
    settings: FitSettings,
    simulated: SurvivalRows | None,
) -> Forecaster:
    """Make a forecaster by a recipe."""
    if own.returns == 0:
        return base
    if recipe.way in ("bound alone", "recalibrated", "recalibrated finely"):
        curves, _, _ = base.curves(own.rows.X)
        return _adapted(base, curves, own, base.bound, recipe.way)
    together = simulated is not None and recipe.way == "together"
    beside = simulated if together else None
    members, fold = _members(own.rows, beside, recipe, settings)
    fitted = copy.copy(base)
    fitted.members = tuple(members)
    fitted.families = dict(base.families) | dict(tables.families)
    fitted.seen = SeenRange.of(own.rows.X if beside is None else beside.with_rows(own.rows).X)
    if not together:
        # What was learned about members of another training says nothing about these.
        fitted.recalibration = None
    # Each own pack is forecast by the one member that never saw it.
    curves = np.empty((len(own.rows), len(DAYS)))
    for number, member in enumerate(members):
        part = fold == number
        if part.any():
            raw = member.predict_survival(own.rows.X[part], DAYS)
            mend = fitted.recalibration
            curves[part] = raw if mend is None else mend.transform(raw, own.group[part])
    return _adapted(
        fitted, curves, own, base.bound if together else None, "recalibrated" if together else "recalibrated finely"
    )


def _members(
    own: SurvivalRows, simulated: SurvivalRows | None, recipe: Recipe, settings: FitSettings
) -> tuple[list[SurvivalEstimator], NDArray[np.int64]]:
    """Fit members on own rows, with simulated ones if given; return with each own row the member that left it out."""
    count = max(settings.members, BACK_TEST_MEMBERS)
    fold = fold_of(own.moments["pack_id"], count, salt="left out")

    def one(number: int) -> SurvivalEstimator:
        mine = own.take(fold != number)
        weights = np.full(len(mine), recipe.weight if simulated is not None else 1.0)
        if simulated is not None:
            packs, inverse = np.unique(simulated.moments["pack_id"].to_numpy().astype(str), return_inverse=True)
            drawn = np.random.default_rng([settings.seed, number]).random(len(packs)) < settings.pack_share
            some = simulated.take(np.flatnonzero(drawn[inverse]))
            mine, weights = some.with_rows(mine), np.concatenate([np.ones(len(some)), weights])
        return new_member(settings, number).fit(mine.X, mine.time, mine.event, weights=weights, hidden=mine.hidden)

    return list(Parallel(n_jobs=settings.workers)(delayed(one)(i) for i in range(count))), fold


def _adapted(fitted: Forecaster, curves: Floats, own: OwnRows, before: ConformalBound | None, way: Way) -> Forecaster:
    """Recalibrate on own rows, whose curves no member made that had seen them, and set the bound anew."""
    rows = own.rows
    adapted = copy.copy(fitted)
    crossed = curves.copy()
    if way != "bound alone":

        def mapped(some: NDArray[np.bool_]) -> RecalibrationStep:
            mend = (
                Recalibration(prior_outcomes=PRIOR_OUTCOMES) if way == "recalibrated finely" else ShiftRecalibration()
            )
            weights = np.full(int(some.sum()), own.share)
            return mend.fit(curves[some], rows.time[some], rows.event[some], weights=weights)

        # The level is set on curves from maps that had not seen the pack, or it would be too bold.
        fold = fold_of(rows.moments["pack_id"], CROSS_FOLDS, salt="level")
        for number in range(CROSS_FOLDS):
            out = fold == number
            if out.any() and not out.all():
                crossed[out] = mapped(~out).transform(curves[out], own.group[out])
        final = mapped(np.ones(len(rows), dtype=bool))
        adapted.recalibration = SuccessiveRecalibration([*_steps(fitted.recalibration), final])
    bound: ConformalBound = ConformalBound(min_group=1).fit(
        crossed, rows.time, rows.event, groups=fitted.bound_group(rows.X)
    )
    adapted.bound = bound if before is None else ShrunkenBound(bound, before, BOUND_PRIOR_PACKS, own.share)
    return adapted


def _steps(recalibration: GroupRecalibration | SuccessiveRecalibration | None) -> list[RecalibrationStep]:
    if recalibration is None:
        return []
    return list(recalibration.steps) if isinstance(recalibration, SuccessiveRecalibration) else [recalibration]
