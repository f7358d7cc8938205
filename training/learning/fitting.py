"""Fitting a forecaster: members on resampled packs, recalibration and bound on packs they never saw, and a report."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import joblib
import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from models.base import counts
from models.base.day_grid import DAYS, GRID_VERSION
from models.base.errors import BadInput
from models.calibration.conformal import ConformalBound
from models.calibration.kind_shift import OpenedPacks
from models.calibration.recalibration import GroupRecalibration
from models.calibration.workshop_posterior import WorkshopPosterior
from models.calibration.world_prior import WorldRecord, fit_world_prior, with_unforeseen
from models.estimators.cox import CoxRegression
from models.estimators.first_passage import FirstPassageRegression
from models.estimators.hazard_trees import HazardBooster
from models.features.definitions import DIRECTIONS
from models.forecaster import Forecaster
from models.forecasts.evidence import evidence_group, rich_evidence
from models.forecasts.seen_range import SeenRange
from models.forecasts.weakness_kind import KindClassifier, with_likely_kind
from models.packs.tables import HistoryTables, to_days
from models.survival.estimator import SurvivalEstimator
from models.survival.kaplan_meier import kaplan_meier
from training.learning.minimum_evidence import thin_rows
from training.learning.moments import SurvivalRows, fold_of, moments_of, single_moments, survival_rows
from training.learning.past_packs import past_packs
from training.learning.strange_kinds import Strangers, strange_parts
from training.report import CalibrationReport, ReportInputs, Thresholds, build_report
from training.report.by_world import CONFIDENCE, by_world
from training.report.content import ByWorld
from training.report.inputs import Origin
from training.simulation.bank import KeptPacks, bank_of
from training.simulation.cohort import Cohort
from training.simulation.noise_floor import forecast_limit

FOLDS: Final = 20
CALIBRATION_FOLDS: Final = (14, 15, 16)
REPORT_FOLDS: Final = (17, 18, 19)
"""Of 20 folds by pack, 3 are kept for the report. Where no further packs set recalibration and bound, 3 do; the others
train the members."""

CONFIDENCES: Final = (0.8, 0.9, 0.95)
FEWEST_RETURNS: Final = 60
"""Returned faults needed to fit at all; about twenty would fall to the calibration part. Invented."""

THIN_SHARE: Final = 0.3
"""Share of the moments to learn from that are learned once more from the technician's minimum, and of the further packs
that set recalibration and bound for it. About a third calibrates both (`tests/benchmarks/bench_tournament.py`)."""

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class FitSettings:
    """How a forecaster is fitted.

    Attributes
    ----------
    rounds : int
        Trees of the booster.
    ridge : float
        Penalty of the Cox regression, see `models.estimators.cox.CoxRegression`.
    workers : int
        Processes for the members.
    """

    rounds: int = 60
    ridge: float = 30.0
    workers: int = 2
    seed: int = 0


@dataclass(frozen=True)
class Further:
    """Packs that only set recalibration and bound.

    Attributes
    ----------
    truth : DataFrame, optional
        ``pack_id`` and ``kind``.
    """

    tables: HistoryTables
    truth: pd.DataFrame | None = None


@dataclass(frozen=True)
class Trained:
    """A fitted forecaster with its record.

    Attributes
    ----------
    facts : dict
        For the manifest: data digest, rows, seed, grid version, settings, scores.
    """

    forecaster: Forecaster
    report: CalibrationReport
    facts: dict[str, Any] = field(default_factory=dict)


def data_digest(tables: HistoryTables) -> str:
    """SHA-256 over the values of all tables, as hexadecimal digits."""
    digest = hashlib.sha256()
    for name, frame in tables.frames().items():
        digest.update(name.encode())
        # Adding nothing turns -0 into 0: a file tells them apart, a database does not.
        values = frame.assign(**{c: frame[c] + 0.0 for c in frame.select_dtypes("number").columns})
        digest.update(pd.util.hash_pandas_object(values, index=False).to_numpy().tobytes())
    return digest.hexdigest()


def fit_members(rows: SurvivalRows, settings: FitSettings) -> list[SurvivalEstimator]:
    """Fit boosted trees and a Cox regression: one is sharp where worlds are alike, the other carries over where not."""
    members: list[SurvivalEstimator] = [
        HazardBooster(monotone=DIRECTIONS, rounds=settings.rounds, stop_early=False, seed=settings.seed),
        CoxRegression(ridge=settings.ridge, monotone=DIRECTIONS),
    ]
    fits = (delayed(member.fit)(rows.X, rows.time, rows.event) for member in members)
    return list(Parallel(n_jobs=settings.workers)(fits))


def censoring_curves(train: SurvivalRows, rows: SurvivalRows) -> NDArray[np.float64]:
    """Probability of still being followed on each grid day, given the features: workshops replace the worst first.

    Returns
    -------
    array, shape (len(rows), len(DAYS))
        All 1 if nobody in `train` was lost within the horizon.
    """
    lost = ~train.event & (train.time <= DAYS[-1])
    if lost.sum() < FEWEST_RETURNS:
        return np.ones((len(rows), len(DAYS)))
    booster = HazardBooster(rounds=80, stop_early=False, seed=1)
    return booster.fit(train.X, train.time, lost).predict_survival(rows.X, DAYS)


def train_forecaster(
    tables: HistoryTables,
    *,
    truth: pd.DataFrame | None = None,
    further: Further | None = None,
    bank: KeptPacks | None = None,
    elsewhere: Cohort | None = None,
    strangers: Strangers = (),
    settings: FitSettings | None = None,
    trained_on: Origin = "simulation",
    made_at: str = "",
    progress: Progress | None = None,
) -> Trained:
    """Fit a forecaster on a record and report on packs it has not seen.

    Parameters
    ----------
    truth : DataFrame, optional
        Of simulated packs: `training.simulation.cohort.Cohort.truth`. The kinds of weakness are learned from it, how
        much worlds differ, and the report is broken down by kind and place.
    further : Further, optional
        More packs for recalibration and bound alone, one moment each: where packs cost nothing, many of them.
    bank : mapping, optional
        Simulated packs to run forward under other plans (`training.simulation.bank.simulate_bank`); of a model trained
        on simulated packs they also tell the limit of its score.
    elsewhere : Cohort, optional
        Packs of simulated worlds that nothing else is from: the report gets a part by world.
    strangers : sequence of pairs of Cohort
        `training.learning.strange_kinds`: how sure the kinds may be is learned where worlds work in other ways. Without
        them it is learned from packs of worlds like those learned from, and widened.
    trained_on : {"simulation", "shop"}
    made_at : str
        When, as it is to be printed in the report.
    progress : callable, optional
        Called with steps done, steps in all and what is being done.

    Raises
    ------
    BadInput
        If the record holds too few returned faults.
    NotEstimable
        If what is kept for the report is too little to judge the forecaster by.
    """
    settings = settings or FitSettings()
    steps = [
        "computing features",
        "fitting the members",
        "fitting peers",
        "setting recalibration and bound",
        "reporting",
    ]

    def say(step: int) -> None:
        if progress is not None:
            progress(step, len(steps), steps[min(step, len(steps) - 1)])

    say(0)
    rows = survival_rows(tables, moments_of(tables, np.random.default_rng([settings.seed, 7])))
    within = int((rows.event & (rows.time <= DAYS[-1])).sum())
    if within < FEWEST_RETURNS:
        raise BadInput.one(
            "outcomes",
            f"holds {counts.moments(within)} followed by a return; {FEWEST_RETURNS} are needed.",
            "Record more outcomes, or train on a simulated cohort.",
        )
    train, calibration, held = split_rows(rows, apart=further is None)
    Thresholds().require_rows(len(held))  # not after minutes of fitting
    kind, world = _labels(truth, "kind"), world_of(tables, truth)
    if further is not None:
        rng = np.random.default_rng([settings.seed, 8])
        more = single_moments(further.tables, rng)
        # In place of themselves, not beside: the bound rests on packs that speak once.
        thin = rng.random(len(more)) < THIN_SHARE
        more = more.take(~thin).with_rows(thin_rows(further.tables, more.take(thin)))
        calibration, more_kinds = more, _labels(further.truth, "kind")
        world = world_of(further.tables, further.truth)
        kind = None if kind is None or more_kinds is None else kind | more_kinds
    again = np.random.default_rng([settings.seed, 10]).random(len(train)) < THIN_SHARE
    learned = train.with_rows(thin_rows(tables, train.take(again)))
    say(1)
    members = fit_members(learned, settings)
    say(2)
    peers = peer_curves(train, held)
    say(3)
    digest = data_digest(tables)
    strange = strange_parts(strangers, THIN_SHARE, settings.seed)
    forecaster = assemble(members, learned, calibration, kind, world, tables, "", strange)
    drawn = np.random.default_rng([settings.seed, 9])
    forecaster.past = past_packs(forecaster, train, kind, tables, drawn, invented=trained_on == "simulation")
    forecaster.bank = None if bank is None else bank_of(bank, forecaster.summary)
    # Named by what it is, not by what it was made from: changed code gives another model from the same record.
    forecaster.model_id = model_id = hashlib.sha256(f"{joblib.hash(forecaster)} {digest}".encode()).hexdigest()[:12]
    say(4)
    survival, _, _ = forecaster.curves(held.X)
    group = forecaster.bound_group(held.X)
    bounds = {c: forecaster.bound.told_days(survival, c, groups=group) for c in CONFIDENCES}
    report = build_report(
        ReportInputs(
            survival=survival,
            time=held.time,
            event=held.event,
            trained_on=trained_on,
            scored_on=trained_on,
            peers=peers,
            limit=None if bank is None or trained_on != "simulation" else forecast_limit(bank, settings.seed),
            censoring=censoring_curves(train, held),
            bounds=bounds,
            groups=report_groups(held, tables, truth),
            model={
                "model": model_id,
                "trained on": f"{train.moments['pack_id'].nunique()} packs, {len(train)} moments",
                "grid": GRID_VERSION,
            },
            made_at=made_at,
        )
    )
    if elsewhere is not None:
        report = report.model_copy(update={"by_world": in_other_worlds(forecaster, elsewhere, trained_on)})
    say(5)
    facts = {
        "data_digest": digest,
        "packs": int(tables.packs.shape[0]),
        "moments": len(rows),
        "calibration_moments": len(calibration),
        "calibrated_apart": further is None,
        "returns": within,
        "banked_moments": sum(ready.packs for ready, _ in (bank or {}).values()),
        "seed": settings.seed,
        "settings": {name: getattr(settings, name) for name in ("rounds", "ridge")},
        "trained_on": trained_on,
        "grid_version": GRID_VERSION,
    }
    return Trained(forecaster, report, facts)


def in_other_worlds(forecaster: Forecaster, elsewhere: Cohort, trained_on: Origin) -> ByWorld | None:
    """Score a forecaster at the first releases of packs of worlds that it was not made from."""
    moments = moments_of(elsewhere.tables, np.random.default_rng(0))
    released = moments[moments["occasion"] == "release"].drop_duplicates("pack_id").reset_index(drop=True)
    rows = survival_rows(elsewhere.tables, released)
    X = forecaster.seen.readable(rows.X)
    survival, _, _ = forecaster.curves(X)
    told = forecaster.bound.told_days(survival, CONFIDENCE, groups=forecaster.bound_group(X))
    world = elsewhere.truth.set_index("pack_id")["world"].reindex(released["pack_id"]).to_numpy(np.float64)
    inputs = ReportInputs(
        survival, rows.time, rows.event, trained_on=trained_on, scored_on="simulation", bounds={CONFIDENCE: told}
    )
    return by_world(inputs, world)


def split_rows(rows: SurvivalRows, *, apart: bool) -> tuple[SurvivalRows, SurvivalRows, SurvivalRows]:
    """Return the rows to train on, to calibrate on and to report on; those of one pack stay together.

    Parameters
    ----------
    apart : bool
        Keep some to calibrate on; False where further packs serve for that.
    """
    fold = fold_of(rows.moments["pack_id"], FOLDS)
    calibrating, reporting = np.isin(fold, CALIBRATION_FOLDS) & apart, np.isin(fold, REPORT_FOLDS)
    return rows.take(~(calibrating | reporting)), rows.take(calibrating), rows.take(reporting)


def assemble(
    members: list[SurvivalEstimator],
    train: SurvivalRows,
    calibration: SurvivalRows,
    kind: Mapping[str, str] | None,
    world: Mapping[str, str] | None,
    tables: HistoryTables,
    model_id: str,
    strange: Sequence[OpenedPacks] = (),
) -> Forecaster:
    """Join fitted members with what is set on packs they never saw."""
    # Each member is asked once: on many further packs that takes longer than what is set by its answers.
    each = [m.predict_survival(calibration.X, DAYS) for m in members]
    group = evidence_group(calibration.X)
    raw = np.mean(each, axis=0)
    recalibration = GroupRecalibration().fit(raw, calibration.time, calibration.event, group)
    survival = np.mean([recalibration.transform(curves, group) for curves in each], axis=0)
    posterior = None
    if world is not None:
        prior = fit_world_prior(world_records(calibration, survival, world), DIRECTIONS)
        posterior = WorkshopPosterior.unlearned(with_unforeseen(prior))
        survival = posterior.curves(survival, calibration.X)[0]
    kinds = None
    if kind is not None:
        train_kind, calibration_kind = (
            np.array([kind[p] for p in r.moments["pack_id"]], dtype=object) for r in (train, calibration)
        )
        kinds = KindClassifier().fit(train.X, train_kind)
        if strange:
            kinds.calibrate_by(strange)
        else:
            kinds.calibrate(
                calibration.X,
                calibration_kind,
                None if world is None else np.array([world[p] for p in calibration.moments["pack_id"]], dtype=object),
                1.0 / calibration.moments.groupby("pack_id")["pack_id"].transform("size").to_numpy(np.float64),
            )
    followed = censoring_curves(train, calibration)
    bound = ConformalBound().fit(
        survival,
        calibration.time,
        calibration.event,
        censoring_survival=followed,
        groups=with_likely_kind(group, None if kinds is None else kinds.predict(calibration.X)),
    )
    seen = SeenRange.of(train.X)
    return Forecaster(members, recalibration, bound, kinds, seen, tables.families, model_id, posterior=posterior)


def world_of(tables: HistoryTables, truth: pd.DataFrame | None) -> dict[str, str] | None:
    """Return the world that each simulated pack lives in; None of packs that were not simulated.

    A cohort of one world is cut by place and family: what its parts have of their own is then all that is known of how
    much worlds differ, and is too little.
    """
    worlds = _labels(truth, "world")
    if worlds is not None and len(set(worlds.values())) > 1:
        return worlds
    places = _labels(truth, "place")
    if places is None:
        return None
    family = dict(zip(tables.packs["pack_id"], tables.packs["family"], strict=True))
    return {pack: f"{place}, {family[pack]}" for pack, place in places.items()}


def world_records(rows: SurvivalRows, survival: NDArray[np.float64], world: Mapping[str, str]) -> list[WorldRecord]:
    """Part rows, and the curves that were forecast of them, by world.

    Worlds without a return are left out: they say next to nothing.
    """
    label = np.array([str(world[p]) for p in rows.moments["pack_id"]], dtype=object)
    found = []
    for name in np.unique(label):
        of = label == name
        if not (rows.event[of] & (rows.time[of] <= DAYS[-1])).any():
            continue
        share = rows.moments.loc[of, "topup"].nunique() / of.sum()
        weights = np.full(int(of.sum()), share)
        found.append(WorldRecord(survival[of], rows.X[of], rows.time[of], rows.event[of], weights))
    return found


def peer_curves(train: SurvivalRows, held: SurvivalRows) -> dict[str, NDArray[np.float64]]:
    """Curves of the usual alternatives for the same held-out rows, shape (n, len(DAYS)) each."""
    overall = kaplan_meier(train.time, train.event).at(DAYS)
    return {
        "Kaplan–Meier": np.tile(overall, (len(held), 1)),
        "first passage": FirstPassageRegression().fit(train.X, train.time, train.event).predict_survival(held.X, DAYS),
        "Cox": CoxRegression().fit(train.X, train.time, train.event).predict_survival(held.X, DAYS),
    }


def _labels(truth: pd.DataFrame | None, column: str) -> dict[str, str] | None:
    return None if truth is None or column not in truth else dict(zip(truth["pack_id"], truth[column], strict=True))


def report_groups(
    rows: SurvivalRows, tables: HistoryTables, truth: pd.DataFrame | None
) -> dict[str, NDArray[np.object_]]:
    """Labels by which the report is broken down, shape (n,) each."""
    packs = rows.moments["pack_id"]
    family = dict(zip(tables.packs["pack_id"], tables.packs["family"], strict=True))
    day = to_days(rows.moments["origin"]) % 365.25
    season = np.array(["winter", "spring", "summer", "autumn"], dtype=object)[((day + 31) // 91.4).astype(int) % 4]
    groups: dict[str, NDArray[np.object_]] = {
        "family": packs.map(family).to_numpy(dtype=object),
        "season": season,
        "evidence": np.where(rich_evidence(rows.X), "rich", "thin").astype(object),
        "situation": evidence_group(rows.X),
        "top-up": np.where(rows.X["earlier_topups"] > 0, "repeat", "first").astype(object),
    }
    for name, title in (("kind", "kind"), ("place", "place")):
        known = _labels(truth, name)
        if known is not None:
            groups[title] = packs.map(known).to_numpy(dtype=object)
    return groups
