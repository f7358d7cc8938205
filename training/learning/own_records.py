"""Learning from a workshop's own record, from its first outcome on: one way, whatever the number of outcomes."""

from __future__ import annotations

import copy
import hashlib
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from typing import Any, Final, Self

import joblib
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base import counts
from models.base.arrays import Bools
from models.base.day_grid import DAYS, GRID_VERSION
from models.base.errors import BadInput
from models.base.percents import percent
from models.calibration.conformal import ConformalBound, ShrunkenBound
from models.calibration.record_reach import RecordReach
from models.calibration.stacking import LearnedCurves, OwnMixture, mixture_shares, outcome_likelihood
from models.calibration.workshop_posterior import WorkshopPosterior
from models.calibration.world_prior import WorldPrior, WorldRecord
from models.estimators.cox import CoxRegression
from models.estimators.hazard_trees import HazardBooster
from models.estimators.marginal import MarginalCurve
from models.estimators.residual_trees import ResidualTrees
from models.features.definitions import DIRECTIONS, FEATURES
from models.forecaster import Forecaster
from models.forecasts.evidence import evidence_group
from models.forecasts.seen_range import LAYOUT
from models.forecasts.weakness_kind import KindClassifier
from models.packs.tables import HistoryTables
from models.survival.estimator import SurvivalEstimator
from training.learning.back_test import BackTest, Maker, back_test, cuts_of, known_by, paired_difference
from training.learning.copied_packs import without_copies
from training.learning.fitting import Progress, data_digest
from training.learning.moments import SurvivalRows, fold_of, moments_of, survival_rows
from training.report import CalibrationReport, ReportInputs, build_report
from training.scoring import NotEstimable

BOUND_PRIOR_PACKS: Final = 200.0
"""Packs that the earlier bound counts as against the own ones. At 90 % it then rests on about twenty failures."""

CROSS_FOLDS: Final = 5
"""Shares of a mixture and the good-for level are set on curves that had not learned from the pack."""

RIDGE_PER_OUTCOME: Final = 0.5
OWN_ROUNDS: Final = 40
"""Penalty of the Cox regression on own rows for each outcome, and trees of the booster on them. Invented; the shares of
a mixture look after what they are worth."""

BEFORE: Final = "as it stands"
LEARNED: Final = "learned"
CURRENT: Final = "current"
"""Names in a back-test: the model that learning starts from, the one that has learned, the one that answers now."""

SURE: Final = 2.0
"""Standard deviations of the posterior by which a column's effect must have moved to be spoken of."""

_MEANING: Final = {f.name: f.meaning for f in FEATURES}


@dataclass(frozen=True)
class OwnRows:
    """A record's moments, ready to learn from.

    Attributes
    ----------
    share : float
        Top-ups per row. Moments of one top-up end together, so together they count as one outcome; the same for each
        row, because weighing rows by how often a pack was seen would favour those that were soon back.
    returns, fates : int
        Top-ups followed by a return within the horizon, and by any recorded fate.
    unasked : int
        Returns before which no forecast could have been asked: within a day of a charge that no reading followed.
    found : object array, shape (n,)
        The kind that was found when the pack was opened, at last; None where nobody looked.
    running : int
        Records of packs last known running: no fate, but days held.
    """

    rows: SurvivalRows
    share: float
    returns: int
    fates: int
    found: NDArray[np.object_]
    running: int
    unasked: int

    @classmethod
    def of(cls, known: HistoryTables, seed: int) -> OwnRows:
        """Read a record as it stood at some moment (`training.learning.back_test.known_by`)."""
        rows = survival_rows(known, moments_of(known, np.random.default_rng([seed, 9])))
        topup = rows.moments["topup"].to_numpy()
        back = rows.event & (rows.time <= DAYS[-1])
        count = len(np.unique(topup))
        fates = int((known.outcomes["kind"] != "running").sum())
        told = known.outcomes.dropna(subset=["found"]).drop_duplicates("pack_id", keep="last")
        kind = dict(zip(told["pack_id"], told["found"], strict=True))
        found = np.array([kind.get(pack) for pack in rows.moments["pack_id"]], dtype=object)
        running = len(known.outcomes) - fates
        returned = int(known.outcomes["kind"].eq("returned").sum())
        unasked = returned - len(np.unique(topup[rows.event]))
        return cls(rows, count / max(len(rows), 1), len(np.unique(topup[back])), fates, found, running, unasked)

    @property
    def opened(self) -> int:
        """Packs whose kind is known."""
        return self.rows.moments["pack_id"][self._looked].nunique()

    @property
    def _looked(self) -> Bools:
        return np.array([kind is not None for kind in self.found], dtype=bool)

    def taught(self, kinds: KindClassifier | None) -> KindClassifier | None:
        """Return what tells kinds, having learned from the packs that were opened."""
        if kinds is None:
            return None
        packs = self.rows.moments["pack_id"][self._looked]
        weights = 1.0 / packs.map(packs.value_counts()).to_numpy(np.float64)
        return kinds.learned(self.rows.X[self._looked], self.found[self._looked], weights)

    def record(self, survival: NDArray[np.float64]) -> WorldRecord:
        """Join them with the curves of a forecaster that has not learned from them."""
        rows = self.rows
        return WorldRecord(survival, rows.X, rows.time, rows.event, np.full(len(rows), self.share))


@dataclass(frozen=True)
class Standing:
    """How one model did in the back-test.

    Attributes
    ----------
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
    """A forecaster that has learned from a record, and what it learned.

    Attributes
    ----------
    standings : tuple of Standing
        Empty if the record was too small for a back-test.
    why : str
        In words.
    facts : dict
        For the manifest.
    """

    forecaster: Forecaster
    standings: tuple[Standing, ...]
    back_test: BackTest | None
    why: str
    facts: dict[str, Any] = field(default_factory=dict)


def learn_from_records(
    base: Forecaster,
    record: HistoryTables,
    at: datetime,
    *,
    sisters: HistoryTables | None = None,
    current: Forecaster | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> Learned:
    """Learn from a workshop's record as it stands at a moment.

    Parameters
    ----------
    base : Forecaster
        Has learned nothing from this record.
    at : datetime
        With offset; what is recorded for later is not used.
    record : HistoryTables
        A history that it holds under several names counts once (`training.learning.copied_packs`).
    sisters : HistoryTables, optional
        The records of other workshops of the house, as one. The forecast that they teach takes the place of `base`
        among those that are mixed: it counts as far as it foretells the own outcomes.
    current : Forecaster, optional
        Answers now, and is not `base`: the back-test then also says what it would have forecast, under "current".
    seed : int
        Of the choice of moments.
    progress : callable, optional
        Called with steps done, steps in all and what is being done.

    Returns
    -------
    Learned
        Its curves are averaged over the worlds still possible given the record; without a return, and without an opened
        pack, it is `base`.

    Raises
    ------
    BadInput
        If `base` does not know how much worlds differ.
    """
    if base.posterior is None:
        raise BadInput.one(
            "model", f"{base.model_id} does not know how much workshops differ.", "Train a new one: `tideover train`."
        )
    record, copies = without_copies(record)
    known = known_by(record, at)
    if sisters is not None:
        others, _ = without_copies(apart_from(sisters, record))
        sisters = others if len(others.topups) else None
    own = OwnRows.of(known, seed)
    cuts = cuts_of(record, at) if own.returns else []
    steps, done = len(cuts) + 2, 0

    def make(tables: HistoryTables, cut: datetime) -> Forecaster:
        nonlocal done
        if progress is not None:
            progress(done, steps, "trying on the past" if done < len(cuts) else "learning")
        done += 1
        start = base if sisters is None else taught_by_sisters(base, sisters, cut, seed)
        return learned_forecaster(start, OwnRows.of(tables, seed), tables)

    makers: dict[str, Maker] = {BEFORE: lambda *_: base, LEARNED: make}
    if current is not None:
        makers[CURRENT] = lambda *_: current
    tested = back_test(record, at, makers, cuts, seed=seed) if cuts else None
    forecaster = make(known, at)
    standings = _standings(tested)
    back = [
        t.outcomes.loc[t.outcomes["time"] <= pd.Timestamp(at), "kind"].eq("returned").sum() for t in (known, record)
    ]
    why = what_was_learned(base, forecaster, own, not_written=int(back[0] - back[1]), copies=copies)
    digest = data_digest(known)
    if forecaster is not base:
        assert forecaster.posterior is not None
        # Named by what it is, but for the last digits, which follow where in memory a number lies.
        found = np.round(forecaster.posterior.law.mean, 4) + 0.0
        # What was learned the same way before there was a reach has another name: it forecasts otherwise.
        reach = None if forecaster.own is None or forecaster.own.reach is None else forecaster.own.reach.number.round(4)
        named = f"{base.model_id} {joblib.hash((found, reach))} {digest}"
        named += "" if sisters is None else data_digest(sisters)
        forecaster.model_id = hashlib.sha256(named.encode()).hexdigest()[:12]
    if progress is not None:
        progress(steps, steps, "done")
    facts = {
        "data_digest": digest,
        "packs": int(known.packs.shape[0]),
        "moments": len(own.rows),
        "returns": own.returns,
        "recorded_fates": own.fates,
        "sister_fates": forecaster.sister_outcomes,
        "seed": seed,
        "base_model": base.model_id,
        "learned_until": at.isoformat(),
        "way": BEFORE if forecaster is base else LEARNED,
        "why": why,
        "back_test": [vars(s) for s in standings],
        "grid_version": GRID_VERSION,
        "trained_on": "simulation" if forecaster is base else "both",
    }
    return Learned(forecaster, standings, tested, why, facts)


@dataclass(frozen=True)
class Taught:
    """What a record, or a part of it, taught: the forecasts that a mixture is made of.

    Attributes
    ----------
    posterior : WorkshopPosterior
        The forecast that leans on other worlds.
    residual : ResidualTrees
        Its correction.
    members : tuple of SurvivalEstimator
        Of own rows alone: the plain curve, a stiff Cox regression, boosted trees.
    """

    posterior: WorkshopPosterior
    residual: ResidualTrees
    members: tuple[SurvivalEstimator, ...]

    @classmethod
    def by(cls, record: WorldRecord, prior: WorldPrior) -> Self:
        """Learn from rows that hold a return."""
        posterior = WorkshopPosterior.learn(prior, record)
        leaning = posterior.curves(record.survival, record.X)[0]
        outcomes, weights = (record.X, record.time, record.event), record.weights
        members = (
            MarginalCurve(),
            CoxRegression(ridge=RIDGE_PER_OUTCOME * weights.sum(), monotone=DIRECTIONS),
            HazardBooster(monotone=DIRECTIONS, rounds=OWN_ROUNDS, stop_early=False, seed=0),
        )
        return cls(
            posterior,
            ResidualTrees(DIRECTIONS).fit(record.X, leaning, record.time, record.event, weights),
            tuple(member.fit(*outcomes, weights=weights) for member in members),
        )

    def curves(self, survival: NDArray[np.float64], X: pd.DataFrame) -> NDArray[np.float64]:
        """Return the curves of each forecast, shape (k, n, len(DAYS)), from those before learning."""
        leaning = self.posterior.curves(survival, X)[0]
        own = [member.predict_survival(X, DAYS) for member in self.members]
        return np.stack([leaning, *self.residual.corrected(X, leaning), *own])


def apart_from(sisters: HistoryTables, record: HistoryTables) -> HistoryTables:
    """Leave out the packs that the own record holds as well: a forecast must not foretell what it learned from.

    A folder for the whole house holds the own export too, and a car may be known to two workshops.

    Parameters
    ----------
    sisters : HistoryTables
        With packs named ``workshop/pack``, as `models.packs.tables.side_by_side` names them.
    """
    own = set(zip(record.topups["pack_id"], record.topups["time"], strict=True))
    theirs = sisters.topups
    name = theirs["pack_id"].str.split("/", n=1).str[-1]
    both = {pack for pack, *charge in zip(theirs["pack_id"], name, theirs["time"], strict=True) if tuple(charge) in own}
    return sisters.of_packs(pack for pack in sisters.packs["pack_id"] if pack not in both)


def taught_by_sisters(base: Forecaster, sisters: HistoryTables, at: datetime, seed: int) -> Forecaster:
    """Return a forecaster that has learned from sister workshops as they stood at a moment, and from no own outcome."""
    known = known_by(sisters, at)
    rows = OwnRows.of(known, seed)
    learned = learned_forecaster(base, rows, known)
    if learned.own is not None:
        learned.sister_outcomes, learned.own = rows.fates, replace(learned.own, outcomes=0)
    return learned


def learned_forecaster(base: Forecaster, own: OwnRows, tables: HistoryTables) -> Forecaster:
    """Return a forecaster that has learned from own rows; `base` itself where there is nothing to learn from.

    `base` has learned from no row of these. What it says is one of the forecasts that are mixed, whether it has learned
    from sister workshops or from none.
    """
    assert base.posterior is not None
    learned = copy.copy(base)
    learned.kinds = own.taught(base.kinds)
    if own.returns == 0:
        return learned if own.opened else base
    prior, rows = base.posterior.prior, replace(own.rows, X=base.seen.readable(own.rows.X))
    taken = base.before_learning(rows.X)
    record = WorldRecord(taken, rows.X, rows.time, rows.event, np.full(len(rows), own.share))

    # Shares and level are set on curves that had not learned from the pack, or they would be too bold.
    fold = fold_of(rows.moments["pack_id"], CROSS_FOLDS, salt="level")
    back = rows.event & (rows.time <= DAYS[-1])
    taught = Taught.by(record, prior)
    # The last is the forecast as it stands: it learns from no row, so that nothing needs be left out for it.
    before = base.posterior if base.own is None else LearnedCurves(base.posterior, base.own)
    crossed = np.repeat(before.curves(taken, rows.X)[0][None], 2 + len(taught.members) + 1, axis=0)
    for number in np.unique(fold):
        kept = fold != number
        if back[kept].any():
            crossed[:-1, ~kept] = Taught.by(record.take(kept), prior).curves(taken[~kept], rows.X[~kept])
    likelihood = np.stack([outcome_likelihood(curves, rows.time, rows.event) for curves in crossed], axis=1)
    shares = mixture_shares(likelihood, record.weights)
    learned.posterior = taught.posterior
    packs = rows.moments["pack_id"].to_numpy(dtype=object)
    reach = RecordReach.of(record, prior, taught.posterior.scale, packs, LAYOUT)
    learned.own = OwnMixture(taught.residual, taught.members, shares, own.fates, before, reach)
    learned.families = dict(base.families) | dict(tables.families)
    mixed = np.clip(np.tensordot(shares, crossed, axes=1), 0.0, 1.0)
    bound = ConformalBound(min_group=1).fit(mixed, rows.time, rows.event, groups=learned.bound_group(own.rows.X))
    learned.bound = ShrunkenBound(bound, base.bound, BOUND_PRIOR_PACKS, own.share)
    return learned


def what_was_learned(
    base: Forecaster, learned: Forecaster, own: OwnRows, *, not_written: int = 0, copies: int = 0
) -> str:
    """Say in words how the workshop's packs differ from what was assumed.

    Parameters
    ----------
    not_written : int
        Returns taken from a later charge alone.
    copies : int
        Packs left out because they are on record under another name.
    """
    said = _of_those_that_count(base, learned, own, not_written)
    if not copies:
        return said
    some = "1 pack has" if copies == 1 else f"{copies} packs have"
    return (
        f"{said} {some} the very readings of another, to the second and the volt: such a history counts once. Remove "
        "the copies from the record."
    )


def _of_those_that_count(base: Forecaster, learned: Forecaster, own: OwnRows, not_written: int) -> str:
    if learned is base:
        return "No return is recorded yet, so the model stays as it is."
    opened = f" The kind of weakness is learned from {own.opened} opened packs." if own.opened else ""
    theirs = counts.outcomes(learned.sister_outcomes)
    if own.returns == 0:
        stay = f"follow {theirs} of sister workshops" if learned.sister_outcomes else "stay as they are"
        return f"No return of yours is recorded yet, so the hold curves {stay}.{opened}"
    assert learned.posterior is not None
    X = base.seen.readable(own.rows.X)
    factor = learned.posterior.hazard_factor(base.before_learning(X), X)
    pace = (
        "about as fast as assumed"
        if 0.9 < factor < 1.1
        else f"about {_two_digits(factor)} times as fast as assumed"
        if factor > 1
        else f"about {_two_digits(factor)} times as fast as assumed, so they hold longer"
    )
    learned_from = f"learned from {counts.outcomes(own.fates)}, {own.returns} with a return"
    if own.running:
        learned_from += f", and {own.running} last known running, which count as held until then"
    said = f"At yours faults return {pace}; {learned_from}."
    if own.unasked:
        some = "1 return is" if own.unasked == 1 else f"{own.unasked} returns are"
        said += (
            f" {some} left out: the fault was back within a day of the charge, and the pack was "
            "not read between. Read it before it goes, and such a return counts."
        )
    moved = [(name, by) for name, by in learned.posterior.moved_columns(SURE) if name in _MEANING][:2]
    words = [f"“{_MEANING[name]}” {'more' if by > 0 else 'less'}" for name, by in moved]
    if words:
        said += " A high value of " + " and of ".join(words) + " than assumed speaks for an early return."
    if learned.sister_outcomes and learned.own is not None:
        share = percent(float(learned.own.shares[-1]))
        said += f" What {theirs} of sister workshops teach counts {share} of the forecast, and less with each of yours."
    if not_written:
        some = "1 top-up was" if not_written == 1 else f"{not_written} top-ups were"
        said += (
            f" {some} followed by another with no outcome written down: the fault counts as back by then. Write down "
            "how each ended, as running if the fault had not come back."
        )
    return said + opened


def _two_digits(number: float) -> str:
    """Write a number to two digits that count, without a power of ten."""
    return f"{Decimal(f'{number:.2g}'):f}"


def report_of(learned: Learned, before: CalibrationReport, made_at: str) -> CalibrationReport:
    """Report on the back-test: what the chosen way of learning forecast before it knew the outcome.

    Where that is too little, the report of the model that learning started from stands, and says what it is about.
    """
    tested = learned.back_test
    model = {"model": learned.forecaster.model_id, "learned": learned.why, "grid": GRID_VERSION}
    if tested is not None:
        try:
            return build_report(
                ReportInputs(
                    survival=tested.curves[LEARNED],
                    time=tested.rows.time,
                    event=tested.rows.event,
                    trained_on="both",
                    scored_on="shop",
                    peers={"As it stood": tested.curves[BEFORE]},
                    bounds=tested.bounds[LEARNED],
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
            "trained_on": "both",
            "origin_sentence": (
                "The record is too small yet to score what was learned from it. These figures are those of the model "
                "that learning started from. " + before.origin_sentence
            ),
        }
    )


def _standings(tested: BackTest | None) -> tuple[Standing, ...]:
    if tested is None:
        return ()
    before = tested.surprise(BEFORE)
    found = []
    for name in (BEFORE, LEARNED):
        score = tested.surprise(name)
        gap = paired_difference(score, before, tested.packs())
        found.append(Standing(name, float(score.mean()), gap.mean, gap.standard_error))
    return tuple(found)
