"""What a workshop's own outcomes bring, on worlds that no part of the forecast was made from.

    python tests/benchmarks/bench_own_outcomes.py --worlds 12
    python tests/benchmarks/bench_own_outcomes.py --worlds 6 --without cells=one --without spread=median
    python tests/benchmarks/bench_own_outcomes.py --worlds 12 --half 0
    python tests/benchmarks/bench_own_outcomes.py --worlds 8 --half 0 --sister 400
    python tests/benchmarks/bench_own_outcomes.py --worlds 8 --half 0 --sister 400 --unlike

A forecaster is trained as `tideover train` does it, on fewer packs. Each held-out world's workshop keeps a censored
record; after so many first returns the forecaster learns from it as `tideover train --from` does, and is scored on
uncensored releases there, whose truth is known, beside Kaplan-Meier and a ridge Cox regression (lifelines, penalty 1)
of the same releases, and beside itself before it learned. With `--without` the worlds trained on lack those ways of
working, and the worlds judged on have no other; with `--half` that goes for half of the ways of every switch, drawn by
a seed. Of each outcome there it is known what was found in the pack. With `--sister` another workshop of the same
world, or with `--unlike` of another one, has recorded so many returns, and the forecaster learns from these first. All
data are simulated (invented).
"""

from __future__ import annotations

import argparse
import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import time
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import joblib
import numpy as np
import pandas as pd
from lifelines import CoxPHFitter, KaplanMeierFitter

from models.base.day_grid import DAYS
from models.forecaster import Forecaster
from models.forecasts.weakness_kind import KINDS
from models.packs.tables import HistoryTables
from training.learning.fitting import FitSettings, Further, train_forecaster
from training.learning.moments import SurvivalRows, moments_of, survival_rows
from training.learning.own_records import OwnRows, learned_forecaster, taught_by_sisters
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits
from training.simulation.world import SWITCHES, Ways, halves_of_ways

DAY = int(np.searchsorted(DAYS, 14))
STAYS = WorkshopHabits(replaces=False)
SISTERS_KNOWN = datetime(2100, 1, 1, tzinfo=UTC)
"""After everything that a sister workshop recorded."""


def first_releases(tables: HistoryTables) -> SurvivalRows:
    moments = moments_of(tables, np.random.default_rng(0))
    moments = moments[moments["occasion"] == "release"].groupby("pack_id", as_index=False).first()
    return survival_rows(tables, moments.reset_index(drop=True))


def brier(survival: np.ndarray, days: np.ndarray) -> float:
    held = days[:, None] > DAYS
    return float(np.trapezoid(((survival - held) ** 2).mean(axis=0), DAYS) / DAYS[-1])


def error(back: np.ndarray, seen: np.ndarray) -> float:
    parts = np.array_split(np.argsort(back), 20)
    return float(sum(len(p) * abs(back[p].mean() - seen[p].mean()) for p in parts) / len(back))


def ridge_cox(own: SurvivalRows, test: SurvivalRows) -> np.ndarray:
    columns = [c for c in own.X if own.X[c].notna().mean() > 0.5 and own.X[c].std() > 1e-6]
    fill, centre, spread = own.X[columns].median(), own.X[columns].mean(), own.X[columns].std()
    one, two = (((r.X[columns].fillna(fill) - centre) / spread).clip(-4, 4).fillna(0) for r in (own, test))
    fitted = CoxPHFitter(penalizer=1.0).fit(one.assign(T=np.maximum(own.time, 0.05), E=own.event), "T", "E")
    return fitted.predict_survival_function(two, times=DAYS).T.to_numpy()


def log_loss(kinds: np.ndarray, code: np.ndarray) -> float:
    return float(-np.log(np.clip(kinds[np.arange(len(code)), code], 1e-6, 1)).mean())


def trained(packs: int, without: Ways, seed: int) -> Forecaster:
    """Train as `tideover train` does, on worlds that lack some ways of working, and any mixture of them with others."""
    without = {name: [*ways, *({"mixed"} & set(SWITCHES[name].shares))] for name, ways in without.items()}
    cohort, more = (
        simulate_cohort(CohortPlan(packs=n, seed=s, habits=STAYS, worlds=n // 100, without=without))
        for n, s in ((packs, seed), (2 * packs, seed + 1_000_003))
    )
    return train_forecaster(
        cohort.tables,
        truth=cohort.truth,
        further=Further(more.tables, more.truth),
        settings=FitSettings(workers=1, seed=seed),
    ).forecaster


def judged(model: Forecaster, tables: HistoryTables, test: SurvivalRows, code: np.ndarray) -> dict[str, float]:
    """Score a forecaster on releases whose truth is known."""
    batch = model.forecast_batch(tables, test.moments)
    survival, days = batch.survival, np.where(test.event, test.time, np.inf)
    back = 1 - survival[:, DAY]
    rng = np.random.default_rng(0)
    chance = np.mean([error(back, rng.random(len(back)) < back) for _ in range(20)])
    level = np.array([model.bound.level(0.9, g) * w for g, w in zip(batch.group, batch.widening, strict=True)])
    good = np.array(
        [np.interp(at, 1 - s, DAYS) if 1 - s[-1] > at else DAYS[-1] for at, s in zip(level, survival, strict=True)]
    )
    inside = [
        batch.band_low[:, d].mean() <= (days > DAYS[d]).mean() <= batch.band_high[:, d].mean()
        for d in np.searchsorted(DAYS, [7, 14, 30])
    ]
    known = code >= 0
    kinds = batch.kinds
    assert kinds is not None
    sure = known & (kinds.max(axis=1) >= 0.95)
    share = np.bincount(code[known], minlength=len(KINDS)) / known.sum()
    return {
        "ours": brier(survival, days),
        "ICI 14 above chance": error(back, days <= 14) - chance,
        "bias 14": float(back.mean() - (days <= 14).mean()),
        "90 % held": float((days >= good).mean()),
        "in the band": float(np.mean(inside)),
        "kinds": log_loss(kinds[known], code[known]),
        "shares alone": float(-(share[share > 0] * np.log(share[share > 0])).sum()),
        "sure of 95": float(sure.sum() / known.sum()),
        "right then": float((kinds.argmax(axis=1) == code)[sure].mean()) if sure.any() else np.nan,
    }


def cut_record(releases: SurvivalRows, tables: HistoryTables, returns: int) -> HistoryTables:
    """Return the record of a workshop up to so many first returns."""
    some = releases.take(np.arange(int(np.searchsorted(np.cumsum(releases.event), returns)) + 1))
    return tables.of_packs(some.moments["pack_id"])


def taught_by_sister(model: Forecaster, record: int, returns: int, world_seed: int, only: Ways) -> Forecaster:
    """Let a forecaster learn from another workshop's record."""
    sister = simulate_cohort(CohortPlan(record, 5, worlds=1, world_seed=world_seed, only=only)).tables
    return taught_by_sisters(model, cut_record(first_releases(sister), sister, returns), SISTERS_KNOWN, 0)


def world_lines(
    model: Forecaster, number: int, counts: Iterable[int], record: int, test: int, only: Ways, sister: int, unlike: bool
) -> list[dict]:
    """Judge a forecaster in one held-out world, before and after it learned from a workshop's record there."""
    seeds = {"worlds": 1, "world_seed": 1000 + number, "only": only}
    truth = simulate_cohort(CohortPlan(test, 3, habits=STAYS, **seeds))
    shop = simulate_cohort(CohortPlan(record, 4, **seeds))
    rows = first_releases(truth.tables)
    kind = truth.truth.set_index("pack_id")["kind"].reindex(rows.moments["pack_id"])
    code = np.array([KINDS.index(k) if k in KINDS else -1 for k in kind])
    days = np.where(rows.event, rows.time, np.inf)
    releases = first_releases(shop.tables)
    returns = np.cumsum(releases.event)
    place = brier(np.broadcast_to((days[:, None] > DAYS).mean(axis=0), (len(days), len(DAYS))), days)
    if sister:
        model = taught_by_sister(model, record, sister, (3000 if unlike else 1000) + number, only)
    lines = []
    for count in counts:
        if count > returns[-1]:
            continue
        line: dict[str, float] = {"world": number, "returns": count, "Kaplan-Meier": place}
        told = model
        if count:
            some = releases.take(np.arange(int(np.searchsorted(returns, count)) + 1))
            own = cut_record(releases, shop.tables, count)
            told_kind = shop.truth.set_index("pack_id")["kind"].reindex(own.outcomes["pack_id"])
            own.outcomes["found"] = told_kind.where(told_kind.isin(KINDS), None).to_numpy(dtype=object)
            began = time.process_time()
            told = learned_forecaster(model, OwnRows.of(own, 0), own)
            line["seconds"] = time.process_time() - began
            curve = KaplanMeierFitter().fit(some.time, some.event).survival_function_at_times(DAYS).to_numpy()
            line["Kaplan-Meier"] = brier(np.broadcast_to(curve, (len(rows), len(DAYS))), days)
            line["ridge Cox"] = brier(ridge_cox(some, rows), days)
        lines.append(line | judged(told, truth.tables, rows, code))
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=12, help="held out")
    parser.add_argument("--packs", type=int, default=6000, help="to learn from; twice as many more set what differs")
    parser.add_argument("--record", type=int, default=1500, help="packs of the largest record")
    parser.add_argument("--test", type=int, default=1000, help="uncensored packs that each world is judged on")
    parser.add_argument("--counts", type=int, nargs="*", default=[0, 25, 100, 400])
    parser.add_argument("--without", action="append", default=[], metavar="SWITCH=WAY")
    parser.add_argument("--half", type=int, help="seed of the ways left out of every switch")
    parser.add_argument("--sister", type=int, default=0, help="first returns that a sister workshop recorded")
    parser.add_argument("--unlike", action="store_true", help="the sister workshop lives in another world")
    parser.add_argument("--model", type=Path, help="file to keep the trained forecaster in, or to take it from")
    parser.add_argument("--lines", type=Path, help="file to keep each world's figures in, as CSV")
    asked = parser.parse_args()
    ways: dict[str, list[str]] = {}
    for pair in asked.without:
        switch, way = pair.split("=")
        ways.setdefault(switch, []).append(way)
    if asked.half is not None:
        ways = {name: list(some) for name, some in halves_of_ways(np.random.default_rng([5, asked.half]))[0].items()}
    if asked.model is not None and asked.model.exists():
        model = joblib.load(asked.model)
    else:
        model = trained(asked.packs, ways, 0)
        if asked.model is not None:
            joblib.dump(model, asked.model)
    lines: list[dict] = []
    for number in range(asked.worlds):
        lines += world_lines(model, number, asked.counts, asked.record, asked.test, ways, asked.sister, asked.unlike)
        if asked.lines is not None:
            pd.DataFrame(lines).to_csv(asked.lines, index=False)
    table = pd.DataFrame(lines)
    if "ridge Cox" not in table:
        table["ridge Cox"] = np.nan
    before = table[table["returns"] == 0].set_index("world")["ours"]
    table["of the better"] = table["ours"] / table[["Kaplan-Meier", "ridge Cox"]].min(axis=1)
    table["of before"] = table["ours"] / table["world"].map(before)
    print(table.groupby("returns").mean().drop(columns="world").round(4).T.to_string())
    print("worst of before:", table.groupby("returns")["of before"].max().round(3).to_dict())
    print("worst of the better:", table.groupby("returns")["of the better"].max().round(3).to_dict())


if __name__ == "__main__":
    main()
