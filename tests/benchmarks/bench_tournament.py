"""The forecaster against its targets on simulated packs: peers, calibration, thin evidence, shift, kinds.

    python tests/benchmarks/bench_tournament.py peers      against the usual estimators, same rows and features; hours
    python tests/benchmarks/bench_tournament.py calibration thin shift kinds    the shipped pipeline

With `TIDEOVER_HOME` set, `calibration`, `thin` and `kinds` judge that home's current model rather than train one; its
packs must not be those of the test (`tideover train` takes others).

`--packs` sets the size of training and test cohort (20,000). All data are simulated (invented), one OpenMP thread,
seconds are processor time. Nobody replaces a pack unless a line says so, so outcomes are plain. "returned if left in"
takes moments as they arise where packs are replaced (worst first), and drives each hidden pack on to see when its
fault would have returned.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import time
import warnings
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from models.base.day_grid import DAYS, REPORT_DAYS, survival_at
from models.estimators.hazard_trees import HazardBooster
from models.features.definitions import DIRECTIONS
from models.features.raw import feature_frame
from models.forecaster import WIDENING, Forecaster
from models.forecasts.flags import flags_of
from models.forecasts.inputs import newest_reading_gap_days
from models.forecasts.noted import Noted
from models.forecasts.weakness_kind import KINDS
from models.packs.tables import from_days, known_at
from models.survival.kaplan_meier import kaplan_meier
from tests.studies.peers.aft import LogNormalRegression, WeibullRegression
from tests.studies.peers.hazard_network import HazardNetwork
from tests.studies.peers.trees_and_network import HazardPair
from tests.studies.truth import simulate_return_days
from training.learning.fitting import (
    CONFIDENCES,
    FitSettings,
    Further,
    censoring_curves,
    fit_members,
    peer_curves,
    report_groups,
    train_forecaster,
)
from training.learning.minimum_evidence import thin_rows
from training.learning.moments import SINGLE_MOMENT_SHARES, SurvivalRows, moments_of, single_moments, survival_rows
from training.registry import ModelRegistry
from training.scoring import (
    bound_coverage,
    distribution_calibration,
    integrated_brier_score,
    integrated_calibration_index,
    uno_c,
)
from training.simulation.cohort import Cohort, CohortPlan, simulate_cohort
from training.simulation.cohort_batch import RELEASE_HOUR
from training.simulation.meters import MeterQuality
from training.simulation.workshop import WorkshopHabits

STAYS_IN = WorkshopHabits(replaces=False)
LEAST_GROUP = 500
HOME = "TIDEOVER_HOME"
TRAIN, FURTHER, TEST, CHOICE, TRUTH = 1, 1_000_004, 99, 555, 77
"""Seeds of cohorts."""

LOOK_DAYS = 0.04
"""From the hour of the release to just after the last reading taken there."""

BREAK = 0.04


def show(title: str, rows: list[dict[str, Any]], places: int = 4) -> None:
    """Print a table."""
    print(
        f"\n{title}\n" + pd.DataFrame(rows).to_string(index=False, float_format=f"%.{places}f", na_rep=""), flush=True
    )


def cohort_of(packs: int, seed: int, **plan: Any) -> Cohort:
    return simulate_cohort(CohortPlan(packs, seed, **({"habits": STAYS_IN} | plan)), workers=2)


@cache
def rows_of(packs: int, seed: int) -> SurvivalRows:
    """At most one moment of each pack: what is scored."""
    cohort = cohort_of(packs, seed)
    return single_moments(cohort.tables, np.random.default_rng([seed, 8]))


@cache
def lessons_of(packs: int, seed: int) -> SurvivalRows:
    """Every moment of each pack: what is learned from, here as in the shipped model."""
    cohort = cohort_of(packs, seed)
    return survival_rows(cohort.tables, moments_of(cohort.tables, np.random.default_rng([seed, 7])))


def brier(survival: np.ndarray, rows: SurvivalRows) -> float:
    return integrated_brier_score(survival, rows.time, rows.event).score


# Peers ---------------------------------------------------------------------------------------------------------------


def estimators(train: SurvivalRows, test: SurvivalRows) -> Iterator[tuple[str, np.ndarray, float]]:
    """Name, curves of the test rows and seconds of fitting."""
    from sksurv.ensemble import GradientBoostingSurvivalAnalysis, RandomSurvivalForest
    from sksurv.util import Surv

    def timed(estimator: Any, **beside: Any) -> tuple[np.ndarray, float]:
        began = time.process_time()
        estimator.fit(train.X, train.time, train.event, **beside)
        spent = time.process_time() - began
        return estimator.predict_survival(test.X, DAYS), spent

    yield "Kaplan-Meier", np.tile(kaplan_meier(train.time, train.event).at(DAYS), (len(test), 1)), np.nan
    yield "a network", *timed(HazardNetwork(monotone=DIRECTIONS))
    yield "boosted trees", *timed(HazardBooster(monotone=DIRECTIONS, rounds=FitSettings.rounds, stop_early=False))
    yield "trees and network", *timed(HazardPair(monotone=DIRECTIONS, stop_early=False))
    began = time.process_time()
    members = fit_members(train, FitSettings(workers=1))
    spent = time.process_time() - began
    yield "as shipped", np.mean([m.predict_survival(test.X, DAYS) for m in members], axis=0), spent
    for name, curves in peer_curves(train, test).items():
        if name != "Kaplan–Meier":
            yield name, curves, np.nan
    yield "Weibull AFT", *timed(WeibullRegression())
    yield "lognormal AFT", *timed(LogNormalRegression())

    rounded = np.append(DAYS, DAYS[-1])[np.searchsorted(DAYS, train.time)]
    outcome = Surv.from_arrays(train.event & (train.time <= DAYS[-1]), rounded)
    gaps = train.X.isna().any()
    filled = [np.hstack([r.X.fillna(train.X.median()), r.X.isna().loc[:, gaps]]).astype(float) for r in (train, test)]

    def peer(estimator: Any, learn: Any, ask: Any) -> tuple[np.ndarray, float]:
        began = time.process_time()
        estimator.fit(learn, outcome)
        spent = time.process_time() - began
        table = estimator.predict_survival_function(ask, return_array=True)
        at = np.searchsorted(estimator.unique_times_, DAYS, side="right")
        return np.hstack([np.ones((len(table), 1)), table])[:, at], spent

    forest = RandomSurvivalForest(100, min_samples_leaf=6, random_state=0)
    yield "forest", *peer(forest, train.X, test.X)
    boosted = GradientBoostingSurvivalAnalysis(n_estimators=100, subsample=0.5, random_state=0)
    yield "gradient boosted trees", *peer(boosted, *filled)


def peers(packs: int) -> None:
    train, test = lessons_of(packs, TRAIN), rows_of(packs, TEST)
    table = []
    for name, curves, seconds in estimators(train, test):
        mean = np.trapezoid(curves, DAYS, axis=1)
        risks = {"Uno C, day 14": 1 - survival_at(curves, 14.0), "Uno C, mean days": -mean}
        rank = {n: uno_c(r, test.time, test.event, until=90).index for n, r in risks.items()}
        table.append({"estimator": name, "integrated Brier": brier(curves, test)} | rank | {"fit s": seconds})
        print(f"  {name} done", flush=True)
    show(f"Peers: {len(train)} rows to learn from, {len(test)} to score, {train.X.shape[1]} features", table)


def shipped(packs: int, families: tuple[str, ...] = (), places: tuple[str, ...] = ()) -> Forecaster:
    """Return a home's current model if one was named, or train one as `tideover train` does."""
    home = os.environ.get(HOME)
    if home and not families and not places:
        return ModelRegistry(Path(home) / "models").load_current(Forecaster).model
    limits = {"families": families, "places": places}
    learn, further = cohort_of(packs, TRAIN, **limits), cohort_of(2 * packs, FURTHER, **limits)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return train_forecaster(
            learn.tables, truth=learn.truth, further=Further(further.tables, further.truth), settings=FitSettings()
        ).forecaster


def judged(name: str, forecaster: Forecaster, rows: SurvivalRows, followed: np.ndarray | None = None) -> dict[str, Any]:
    """One line: score, calibration indices, distribution, coverage."""
    curves, bounds, _ = forecasts(forecaster, rows)
    how = {"censoring": followed}
    line = {"rows": name, "n": len(rows)}
    line["Brier"] = integrated_brier_score(curves, rows.time, rows.event, **how).score
    for day in REPORT_DAYS:
        found = integrated_calibration_index(curves, rows.time, rows.event, day=day, **how)
        line[f"ICI {day:.0f}"] = found.index
    line["p"] = distribution_calibration(curves, rows.time, rows.event).p_value
    for confidence, bound in bounds.items():
        line[f"held {confidence:.0%}"] = bound_coverage(bound, rows.time, rows.event, promised=confidence, **how).held
    return line


def forecasts(forecaster: Forecaster, rows: SurvivalRows) -> tuple[np.ndarray, dict[float, np.ndarray], np.ndarray]:
    """Curves, bounds as a reader gets them (read off earlier where evidence is out of range), and their groups."""
    curves, group = forecaster.curves(rows.X)[0], forecaster.bound_group(rows.X)
    strange = (forecaster.seen.distance(rows.X).max(axis=1).to_numpy() > 0) | forecaster.seen.new_family(rows.X)
    levels = {c: np.array([forecaster.bound.level(c, g) for g in group]) for c in CONFIDENCES}
    bounds = {c: read_off(curves, np.where(strange, WIDENING, 1.0) * level) for c, level in levels.items()}
    return curves, bounds, group


def read_off(curves: np.ndarray, level: np.ndarray) -> np.ndarray:
    """First day at which each curve's return probability reaches its level; the horizon where it does not."""
    hazard, target = -np.log(np.maximum(curves, 1e-12)), -np.log1p(-level)
    right = np.clip((hazard < target[:, None]).sum(axis=1), 1, len(DAYS) - 1)
    row = np.arange(len(curves))
    low, high = hazard[row, right - 1], hazard[row, right]
    share = np.clip((target - low) / np.where(high > low, high - low, np.inf), 0, 1)
    return np.where(hazard[:, -1] < target, DAYS[-1], DAYS[right - 1] + share * (DAYS[right] - DAYS[right - 1]))


def worst_groups(
    forecaster: Forecaster, rows: SurvivalRows, cohort: Cohort, followed: np.ndarray | None = None
) -> None:
    """Coverage in every named group of `LEAST_GROUP` or more; the true kind is hidden from forecasts."""
    _, bounds, _ = forecasts(forecaster, rows)
    groups = report_groups(rows, cohort.tables, cohort.truth)
    kinds = forecaster.kinds
    assert kinds is not None
    groups["most probable kind"] = np.array(KINDS, dtype=object)[kinds.predict(rows.X).argmax(axis=1)]
    groups["true kind (hidden)"] = groups.pop("kind")
    table = []
    for by, labels in groups.items():
        for label in np.unique(labels.astype(str)):
            some = labels == label
            if some.sum() < LEAST_GROUP:
                continue
            line = {"by": by, "group": label, "n": int(some.sum())}
            for confidence, bound in bounds.items():
                part = None if followed is None else followed[some]
                found = bound_coverage(
                    bound[some], rows.time[some], rows.event[some], promised=confidence, censoring=part
                )
                line[f"held {confidence:.0%}"] = found.held
            line["worst, points"] = max(100 * abs(line[f"held {c:.0%}"] - c) for c in CONFIDENCES)
            table.append(line)
    show("Coverage of the good-for day by group", table, 3)


def left_in(cohort: Cohort, seed: int) -> SurvivalRows:
    """One kept moment a pack, with the day on which its fault would have returned if the pack had stayed in."""
    rng = np.random.default_rng([seed, 9])
    ids, day0 = cohort.truth["pack_id"].to_numpy(dtype=object), cohort.truth["day0"].to_numpy(float)
    parts = []
    for index, record in zip(sorted(set(cohort.truth["cell"])), cohort.cells, strict=True):
        states = record.states
        pack = np.flatnonzero(cohort.truth["cell"] == index)[states.pack]
        origin = from_days(day0[pack] + states.day + RELEASE_HOUR / 24 + LOOK_DAYS)
        kept = pd.DataFrame({"pack_id": ids[pack], "origin": origin, "state": np.arange(len(pack))})
        kept = kept.sort_values(["pack_id", "origin"], kind="stable")
        _, code = np.unique(kept["pack_id"].to_numpy().astype(str), return_inverse=True)
        wanted = rng.choice(len(SINGLE_MOMENT_SHARES), code.max() + 1, p=SINGLE_MOMENT_SHARES)[code]
        kept = kept[kept.groupby("pack_id").cumcount().to_numpy() == wanted]
        at = kept["state"].to_numpy()
        day = simulate_return_days(
            record.family,
            states.state.take(at),
            states.use.take(at),
            states.day[at].astype(float),
            np.random.default_rng([seed, index]),
        )
        parts.append(kept.assign(day=day - LOOK_DAYS, occasion="kept").drop(columns="state"))
    moments = pd.concat(parts, ignore_index=True)
    moments = moments[moments["day"] > 1 / 24].reset_index(drop=True)
    day = moments.pop("day").to_numpy()
    event = day <= DAYS[-1]
    X = feature_frame(cohort.tables, moments)
    return SurvivalRows(moments, X, np.where(event, day, DAYS[-1]), event, np.zeros(len(day), dtype=bool))


def calibration(packs: int) -> None:
    forecaster = shipped(packs)
    plain, replaced = cohort_of(packs, TEST), cohort_of(packs, TEST, habits=WorkshopHabits(), keep_states=True)
    rows = {"nobody replaces": rows_of(packs, TEST)}
    rows["replaced, if left in"] = left_in(replaced, TEST)
    rows["replaced, as seen"] = single_moments(replaced.tables, np.random.default_rng([TEST, 8]))
    learn = cohort_of(packs, TRAIN, habits=WorkshopHabits())
    followed = censoring_curves(single_moments(learn.tables, np.random.default_rng(0)), rows["replaced, as seen"])
    table = [judged(n, forecaster, r, followed if n == "replaced, as seen" else None) for n, r in rows.items()]
    show("Calibration of the shipped pipeline", table)
    worst_groups(forecaster, rows["nobody replaces"], plain)
    worst_groups(forecaster, rows["replaced, if left in"], replaced)


def thin(packs: int) -> None:
    forecaster, cohort, rows = shipped(packs), cohort_of(packs, TEST), rows_of(packs, TEST)
    bare = thin_rows(cohort.tables, rows)
    show("The technician's minimum", [judged(n, forecaster, r) for n, r in (("all evidence", rows), ("minimum", bare))])
    worst_groups(forecaster, bare, cohort)


# Shift ---------------------------------------------------------------------------------------------------------------

RAISED = {"out-of-range", "family-not-learned", "other-block-lower", "overcharge"}
"""Flags that warn of a wrong forecast; those that name missing evidence do not count here."""


def shift(packs: int) -> None:
    """Without adaptation. Coverage breaks where a bound is more than `BREAK` off; half the cases then need a flag."""
    every = ("chert-30", "flint-40", "gravel-14", "loess-28", "marl-28", "shale-20")
    new = every[-1]
    usual = shipped(packs)
    cool = shipped(packs, places=("marrow-bay", "high-tarn"))
    fewer = shipped(packs, families=every[:-1])
    hot = cohort_of(packs, TEST, places=("cinder-flats", "reed-delta"))
    cases = {
        "as learned": (usual, cohort_of(packs, TEST)),
        "hotter place": (cool, hot),
        "family never learned": (fewer, cohort_of(packs, TEST, families=(new,))),
        "meter noise doubled": (usual, cohort_of(packs, TEST, meters=MeterQuality(noise_factor=2.0))),
        "a fifth on the wrong block": (usual, cohort_of(packs, TEST, habits=replace(STAYS_IN, wrong_block_share=0.2))),
    }
    table, flagged = [], []
    for name, (forecaster, cohort) in cases.items():
        rows = single_moments(cohort.tables, np.random.default_rng([TEST, 8]))
        wrong = wrong_block(cohort, rows)
        parts = {name: np.ones(len(rows), dtype=bool)}
        if "wrong" in name:
            parts |= {"  of these on a wrong block": wrong, "  of these on the right one": ~wrong}
        gap = newest_reading_gap_days(known_at(cohort.tables, rows.moments), rows.moments)
        put_in = cohort.tables.topups["charge_ah"].to_numpy()[rows.moments["topup"]]
        unknown = np.full(len(rows), np.nan)
        words = unknown.astype(object)
        noted = Noted(
            gap,
            put_in,
            *[unknown] * 11,
            *[words] * 5,
            np.zeros(len(unknown), dtype=bool),
            words,
            charge_unread=np.zeros(len(unknown), dtype=bool),
        )
        told = flags_of(rows.X, forecaster.seen, np.zeros(len(rows), dtype=bool), np.zeros(len(rows)), noted)
        codes = [{f.code for f in flags} for flags in told]
        for part, some in parts.items():
            line = judged(part, forecaster, rows.take(some))
            off = max(abs(line[f"held {c:.0%}"] - c) for c in CONFIDENCES)
            here = [c for c, s in zip(codes, some, strict=True) if s]
            share = {code: np.mean([code in c for c in here]) for code in sorted(RAISED)}
            line["breaks"] = off > BREAK
            line["flagged"] = np.mean([bool(c & RAISED) for c in here])
            table.append(line)
            flagged.append({"rows": part} | share)
    show(f"Shift, nothing adapted; coverage breaks past {100 * BREAK:g} points", table)
    show("Share of cases with each flag", flagged)


def wrong_block(cohort: Cohort, rows: SurvivalRows) -> np.ndarray:
    topped = cohort.tables.topups["blocks"].astype(int).iloc[rows.moments["topup"]].to_numpy()
    weak = cohort.truth.set_index("pack_id")["weak_block"].reindex(rows.moments["pack_id"]).to_numpy()
    return topped != weak


# Kinds ---------------------------------------------------------------------------------------------------------------


def kinds(packs: int) -> None:
    forecaster, cohort, rows = shipped(packs), cohort_of(packs, TEST), rows_of(packs, TEST)
    label = rows.moments["pack_id"].map(cohort.truth.set_index("pack_id")["kind"]).to_numpy()
    code = np.array([KINDS.index(k) for k in label])
    learned = cohort_of(packs, TRAIN).truth["kind"]
    base = np.tile([np.mean(learned == k) for k in KINDS], (len(rows), 1))
    own = np.bincount(code, minlength=len(KINDS)) / len(code)
    table = []
    for name, X in (("all evidence", rows.X), ("minimum", thin_rows(cohort.tables, rows).X), ("base rates", None)):
        found = base if X is None else forecaster.kinds.predict(X)
        loss = -np.log(found[np.arange(len(code)), code]).mean()
        line = {"forecast": name, "log-loss": loss, "right": np.mean(found.argmax(axis=1) == code)}
        # Expected calibration error of each kind's probability, in tenths of the rows.
        for k, kind in enumerate(KINDS):
            order = np.array_split(np.argsort(found[:, k], kind="stable"), 10)
            line[f"error {kind}"] = np.mean([abs(found[i, k].mean() - (code[i] == k).mean()) for i in order])
        table.append(line)
    table.append({"forecast": "share of rows"} | {f"error {kind}": own[k] for k, kind in enumerate(KINDS)})
    show("Kinds of weakness", table)


PARTS = {f.__name__: f for f in (peers, calibration, thin, shift, kinds)}


def main() -> None:
    parser = argparse.ArgumentParser(description="The forecaster against its targets.")
    parser.add_argument("parts", nargs="+", choices=sorted(PARTS))
    parser.add_argument("--packs", type=int, default=20_000)
    asked = parser.parse_args()
    for part in asked.parts:
        PARTS[part](asked.packs)


if __name__ == "__main__":
    main()
