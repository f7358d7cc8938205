"""How well is the missing charge told before a top-up, and what limits it? Prints tables.

    python tests/benchmarks/bench_topup_plan.py [--packs 6000] [--worlds 60] [--seed 901] [--home FOLDER]

Simulated packs (invented), read by simulated workshops; the truth is what had to be stored for the weak block to stand
level with its peers when the rest voltages were read. "Full": rest, discharge and charge were all read at that visit;
"full, rest at two levels": the string was also drawn down by a charge told by the load's current and time, and read.
With --worlds, the packs are spread over as many drawn worlds, and the range is also told world by world; what is
missing is then what brings the rest voltage level, for a block may have a few sick cells.
With --home, the folder of a trained model, also what each half ampere-hour buys, against the same packs run forward.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"

import argparse
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import pandas as pd
from pydantic import ValidationError
from sklearn.ensemble import HistGradientBoostingRegressor

from models.base.errors import BadInput
from models.features.raw import feature_frame
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from models.packs.stops import Stopped
from models.packs.tables import HistoryTables, history_of
from models.physics.block_voltage import block_voltage_v
from models.physics.day_step import top_up
from models.topup.charge_rise import stored_share
from models.topup.comparison import compare_topup
from models.topup.evidence import BenchEvidence, bench_evidence
from models.topup.missing_charge import missing_charge, most_likely_near, weighted_range
from models.topup.plan import draw_down_would_tell, plan_topup
from models.topup.possible_packs import PossiblePacks
from models.topup.posterior import possible_packs
from tests.studies.arrivals import Arrivals, DrawDownHabits, simulate_arrivals
from tests.studies.truth import simulate_return_days
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan
from training.simulation.meters import MeterQuality

LEAK_OR_FADE = ("leak", "two leaks", "fade", "leak and fade")
FADED = ("fade", "leak and fade")


LEAST_MISSING_AH = 0.05
"""Less than this is nothing that a charge is made for."""


def until_level(arrivals: Arrivals) -> np.ndarray:
    """Charge that brings each weak block's rest voltage to the median of the others, Ah, in order of the truth."""
    out = np.full(len(arrivals.truth), np.nan)
    for part in arrivals.states:
        case, state = arrivals.truth.iloc[part.rows], part.state
        weak, here = case["weak_block"].to_numpy() - 1, np.arange(len(case))
        still, offset = np.zeros(len(case)), case["offset_ah"].to_numpy()

        def volts(state=state, family=part.family, still=still, offset=offset):
            return block_voltage_v(family, state, still, still + 22.0, offset)

        others = volts()
        others[here, weak] = np.nan
        level, before = np.nanmedian(others, axis=1), state.charge_ah[here, weak].copy()
        low, high = still - 1.0, still + 1.2 * part.family.rated_ah
        for _ in range(18):
            state.charge_ah[here, weak] = before + (low + high).astype(np.float32) / 2
            below = volts()[here, weak] < level
            low, high = np.where(below, (low + high) / 2, low), np.where(below, high, (low + high) / 2)
        state.charge_ah[here, weak] = before
        out[part.rows] = (low + high) / 2
    return out


def print_by_world(found: pd.DataFrame, worlds: int) -> None:
    """How near the figure comes, and how often the range holds, over all packs and world by world."""
    heads = (
        "cases",
        "within 15 %",
        "mid error Ah",
        "range holds",
        "range Ah",
        "held: tenth",
        "quarter",
        "half of worlds",
    )
    print(f"\n{'missing':16}" + "".join(f"{head:>17}" for head in heads))
    for words, least in (("any", LEAST_MISSING_AH), ("over 0.3 Ah", 0.3), ("over 1.2 Ah", 1.2)):
        some = found[found["missing_ah"] > least]
        world = some["pack_id"].str[-7:].astype(int) % worlds
        by_world = some["held"].groupby(world).mean().quantile([0.1, 0.25, 0.5])
        error, width = (some["best"] - some["missing_ah"]).abs().median(), (some["high"] - some["low"]).median()
        figures = (close(some).mean(), error, some["held"].mean(), width, *by_world)
        print(f"{words:16}{len(some):>17}" + "".join(f"{figure:>17.3f}" for figure in figures))
    some = found[found["condition"].isin(LEAK_OR_FADE)]
    faded = some["condition"].isin(FADED)
    told = some["fade"] > 0.5
    share, right = told.mean(), faded[told].mean()
    print(f"\nOf leaks and fades {share:.3f} are told to have lost capacity; of these {right:.3f} have.")


def cases_of(arrivals: Arrivals):
    """Each charge with the history of its pack, the family and the moment before it."""
    parts = {name: dict(tuple(frame.groupby("pack_id"))) for name, frame in arrivals.tables.frames().items()}
    for pack_id, truth in arrivals.truth.groupby("pack_id"):
        own = {name: part.get(pack_id, arrivals.tables.frames()[name].iloc[:0]) for name, part in parts.items()}
        try:
            history = history_of(HistoryTables(**own, families=arrivals.tables.families), pack_id)
        except ValidationError:  # a record that a workshop got wrong beyond use, as a voltage of 0
            continue
        for row, case in truth.iterrows():
            at = (case["topup_time"] - timedelta(seconds=1)).to_pydatetime()
            yield row, case, history, arrivals.tables.families[history.family], at


def known(packs: PossiblePacks, family: PackFamily, case: pd.Series, what: str) -> PossiblePacks:
    """Packs reweighed as if something hidden were known."""
    log_weight = np.log(np.maximum(packs.weight, 1e-300))
    if "cause" in what:
        cause = "lost capacity" if case["condition"] in FADED else "low charge"
        log_weight += np.where(packs.of(cause), 0.0, -np.inf)
    if "capacity" in what:
        log_weight += -0.5 * ((packs.block_ah / case["block_ah"] - 1) / 0.02) ** 2
    if "place" in what:
        log_weight += -0.5 * ((packs.offset_ah - case["offset_ah"]) / (0.01 * family.rated_ah)) ** 2
    if not np.isfinite(log_weight).any():
        return packs
    weight = np.exp(log_weight - log_weight.max())
    return replace(packs, weight=weight / weight.sum())


def told_of(case: pd.Series, family: PackFamily, evidence: BenchEvidence, variants=("",)) -> dict:
    packs = possible_packs(family, evidence)
    one = missing_charge(packs, evidence.block)
    told = {
        **case[["pack_id", "condition", "visit", "bench", "family", "missing_ah", "lost_ah"]],
        "load": evidence.discharge is not None,
        "full": evidence.discharge is not None and evidence.charge is not None,
        "low": one.missing_ah.low,
        "high": one.missing_ah.high,
        "below": one.below_peers_ah.best,
        "below_low": one.below_peers_ah.low,
        "below_high": one.below_peers_ah.high,
        "fade": one.causes["lost capacity"],
        "joint": one.causes["joint"],
        "advised": draw_down_would_tell(family, evidence, packs, one),
    }
    for variant in variants:
        again = known(packs, family, case, variant) if variant else packs
        among = weighted_range(again.missing_ah, again.weight)
        told["best" + variant] = most_likely_near(again.missing_ah, again.weight, among)
    return told


def judged(arrivals: Arrivals, variants=("",)) -> pd.DataFrame:
    rows = []
    for row, case, history, family, at in cases_of(arrivals):
        evidence = bench_evidence(history, family, int(case["weak_block"]), at)
        if evidence.rest is not None:
            rows.append({"row": row, **told_of(case, family, evidence, variants)})
    return against_truth(rows)


def against_truth(rows: list[dict]) -> pd.DataFrame:
    found = pd.DataFrame(rows)
    found["held"] = (found["low"] <= found["missing_ah"]) & (found["missing_ah"] <= found["high"])
    below = found["missing_ah"] + found["lost_ah"]
    found["below_close"] = (found["below"] / below - 1).abs() <= 0.15
    found["below_held"] = (found["below_low"] <= below) & (below <= found["below_high"])
    return found


def close(found: pd.DataFrame, best: str = "best") -> pd.Series:
    return (found[best] / found["missing_ah"] - 1).abs() <= 0.15


def print_accuracy(found: pd.DataFrame) -> None:
    print("\nMissing charge before a top-up")
    print(
        f"{'condition':16}{'readings':>16}{'cases':>7}{'within 15 %':>13}{'mid error':>11}{'range holds':>13}", end=""
    )
    print(f"{'range/charge':>14}{'below peers':>13}{'holds':>8}")
    whole = {"leak and fade cases": LEAK_OR_FADE, **{c: (c,) for c in (*LEAK_OR_FADE, "neglect")}}
    for words, conditions in whole.items():
        for readings in ("full", "load", "any"):
            some = found[found["condition"].isin(conditions) & (True if readings == "any" else found[readings])]
            error = (some["best"] / some["missing_ah"] - 1).abs().median()
            width = ((some["high"] - some["low"]) / some["missing_ah"]).median()
            named = {"full": "full", "load": "rest and load", "any": "rest"}[readings]
            print(
                f"{words[:15]:16}{named:>16}{len(some):>7}{close(some).mean():>13.3f}{error:>11.3f}"
                f"{some['held'].mean():>13.3f}{width:>14.2f}{some['below_close'].mean():>13.3f}"
                f"{some['below_held'].mean():>8.3f}"
            )


def print_two_levels(plan: CohortPlan, habits: DrawDownHabits) -> None:
    """Cases with a full set of readings and a draw-down, with and without it."""
    arrivals = simulate_arrivals(plan, draw_down=habits)
    ones, twos = [], []
    for _row, case, history, family, at in cases_of(arrivals):
        evidence = bench_evidence(history, family, int(case["weak_block"]), at)
        full = evidence.drawn is not None and evidence.discharge is not None and evidence.charge is not None
        if full and case["condition"] in LEAK_OR_FADE:
            ones.append(told_of(case, family, replace(evidence, drawn=None)))
            twos.append(told_of(case, family, evidence))
    one, two = against_truth(ones), against_truth(twos)
    print(f"\nDrawn down by {habits.least_share:.2f} to {habits.most_share:.2f} of rated capacity before the charge")
    heads = ("within 15 %", "mid error", "range holds", "range/charge", "lost capacity")
    print(f"{'condition':16}{'readings':>28}{'cases':>7}" + "".join(f"{head:>15}" for head in heads))
    for words, which in (
        ("leak and fade", one["advised"] | True),
        ("leak", one["condition"].isin(("leak", "two leaks"))),
        ("fade", one["condition"] == "fade"),
        ("leak & fade both", one["condition"] == "leak and fade"),
        ("advised", one["advised"]),
    ):
        for readings, table in (("full", one[which]), ("full, rest at two levels", two[which])):
            error = (table["best"] / table["missing_ah"] - 1).abs().median()
            width = ((table["high"] - table["low"]) / table["missing_ah"]).median()
            figures = (close(table).mean(), error, table["held"].mean(), width, np.mean(table["fade"] > 0.5))
            print(f"{words:16}{readings:>28}{len(table):>7}" + "".join(f"{figure:>15.3f}" for figure in figures))


def print_causes(found: pd.DataFrame) -> None:
    print("\nIs lost capacity, and a joint, called so? Rest and load read")
    some = found[found["load"]]
    for condition, part in some.groupby("condition"):
        print(
            f"{condition:16}{len(part):>6} cases   lost capacity likely {np.mean(part['fade'] > 0.5):.3f}   "
            f"joint likely {np.mean(part['joint'] > 0.5):.3f}"
        )


def print_after(arrivals: Arrivals) -> None:
    """After the charge, whole or in part, with the charge noted: what does the rise of the rest voltage add?"""
    rows = []
    for _row, case, history, family, at in cases_of(arrivals):
        if case["weak_block"] != case["topped_block"] or case["condition"] not in LEAK_OR_FADE:
            continue
        try:
            made = compare_topup(history, family, at=at + timedelta(hours=30))
        except (BadInput, Stopped):
            continue
        if made.still_missing_ah is None:
            continue
        before, still = made.missing_before_ah, made.still_missing_ah
        rows.append(
            {
                "faded": case["condition"] in FADED,
                "read": made.expected_rise_v is not None,
                "close": abs(before.best / case["missing_ah"] - 1) <= 0.15,
                "held": before.low <= case["missing_ah"] <= before.high,
                "still held": still.low <= case["still_missing_ah"] <= still.high,
                "still error": abs(still.best - case["still_missing_ah"]),
                "called": (made.causes["lost capacity"] > 0.5),
            }
        )
    table = pd.DataFrame(rows)
    print("\nWith the charge made and noted: what was missing before it, and what still is")
    heads = ("cases", "within 15 %", "range holds", "still: holds", "mid error Ah", "lost capacity")
    print(f"{'':22}{'rest after it':>16}" + "".join(f"{head:>15}" for head in heads))
    for words, which in (
        ("leak or fade", table["faded"] | True),
        ("low charge", ~table["faded"]),
        ("lost capacity", table["faded"]),
    ):
        for read in (True, False):
            part = table[which & (table["read"] == read)]
            figures = [part[name].mean() for name in ("close", "held", "still held")]
            figures += [part["still error"].median(), part["called"].mean()]
            print(
                f"{words:22}{'read' if read else 'not read':>16}{len(part):>15}"
                + "".join(f"{figure:>15.3f}" for figure in figures)
            )


def print_limits(arrivals: Arrivals, plan: CohortPlan) -> None:
    variants = ("", "cause", "place", "capacity", "capacity and place")
    found = judged(arrivals, variants)
    exact = MeterQuality(bench_sd_v=0, car_sd_v=0, missing_channel=0, stuck_channel=0, swapped_leads=0, wrong_clock=0)
    sharp = judged(simulate_arrivals(replace(plan, meters=exact)), variants)
    print("\nWhat limits it: share within 15 % if something hidden were known as well; rest and load read")
    print(f"{'known as well':44}{'leak or fade':>14}{'leak':>9}{'fade':>9}")
    for table, suffix in ((found, ""), (sharp, ", meters without noise or faults")):
        some = table[table["load"]]
        for variant in variants:
            shares = [
                close(some[some["condition"].isin(which)], "best" + variant).mean()
                for which in (LEAK_OR_FADE, ("leak", "two leaks"), FADED)
            ]
            said = {"": "nothing", "cause": "whether it has lost capacity", "place": "the string's place in its swing"}
            said |= {"capacity": "the block's capacity"}
            words = said.get(variant, "capacity and place")
            print(f"{words + suffix:64}"[:64] + "".join(f"{share:>8.3f}" for share in shares))


def before_features(arrivals: Arrivals) -> tuple[pd.DataFrame, pd.DataFrame]:
    truth = arrivals.truth[arrivals.truth["weak_block"] == arrivals.truth["topped_block"]]
    moments = pd.DataFrame({"pack_id": truth["pack_id"].to_numpy(), "origin": truth["topup_time"].to_numpy()})
    X = feature_frame(arrivals.tables, moments)
    kept = [c for c in X if c.startswith(("before_", "last_", "earlier_"))]
    layout = ["age_years", "odometer_km", "rated_ah", "blocks", "cells_per_block", "lithium", "limit_mv_per_cell"]
    X = X[[*kept, *layout, "ambient_c", "critical_share", "km_per_day"]]
    read = X["before_rest_mv_per_cell"].notna().to_numpy()
    return X[read], truth[read]


def print_learned(arrivals: Arrivals, packs: int, found: pd.DataFrame) -> None:
    X, truth = before_features(simulate_arrivals(CohortPlan(packs=packs, seed=902, days=60)))
    share = np.log(np.maximum(truth["missing_ah"] / X["rated_ah"].to_numpy(), 0.01))
    learner = HistGradientBoostingRegressor(
        loss="absolute_error", max_iter=500, learning_rate=0.05, max_leaf_nodes=15, min_samples_leaf=40, random_state=0
    ).fit(X, share)
    X, truth = before_features(arrivals)
    told = pd.Series(np.exp(learner.predict(X)) * X["rated_ah"].to_numpy(), index=truth.index)
    both = found[found["load"] & found["row"].isin(told.index) & found["condition"].isin(LEAK_OR_FADE)]
    learned = (told[both["row"]].to_numpy() / both["missing_ah"] - 1).abs() <= 0.15
    print(f"\nPhysics with priors or learned from {packs} simulated packs? Same {len(both)} cases, rest and load read")
    print(f"possible packs weighed   {close(both).mean():.3f} within 15 %")
    print(f"gradient boosting        {learned.mean():.3f} within 15 %")


def print_gain(arrivals: Arrivals, home: Path, cases: int, runs: int) -> None:
    forecaster = ModelRegistry(home / "models").load_current(Forecaster).model
    rng = np.random.default_rng(7)
    found: dict[int, list[tuple[float, ...]]] = {}
    histories = {}
    wanted = arrivals.truth[
        arrivals.truth["condition"].isin((*LEAK_OR_FADE, "neglect"))
        & (arrivals.truth["weak_block"] == arrivals.truth["topped_block"])
    ]
    chosen = set(rng.choice(wanted.index, min(cases, len(wanted)), replace=False))
    for row, _case, history, family, at in cases_of(arrivals):
        if row in chosen:
            histories[row] = (history, family, at)
    where = {row: (part, place) for part in arrivals.states for place, row in enumerate(part.rows)}
    for row, (history, family, at) in histories.items():
        case, (part, place) = arrivals.truth.loc[row], where[row]
        plan = plan_topup(history, family, at=at, block=int(case["weak_block"]), forecaster=forecaster)
        for number, step in enumerate(plan.steps, start=1):
            one = np.full(runs, place)
            state, use = part.state.take(one), part.use.take(one)
            block = np.full(runs, int(case["weak_block"]) - 1)
            stored = np.full(runs, step.put_in_ah * stored_share(family), dtype=np.float32)
            top_up(state, np.arange(runs), block, stored)
            state.pending[:] = False
            day = np.full(runs, part.day[place] + 1.0)
            held = simulate_return_days(family, state, use, day, np.random.default_rng([7, int(row)]))
            found.setdefault(number, []).append(
                (step.mean_days, np.clip(held, 0, 90).mean(), step.good_for_days, np.mean(held >= step.good_for_days))
            )
    print(f"\nWhat each half ampere-hour buys: forecast against {runs} runs forward of each of {len(histories)} packs")
    print(f"{'step':>5}{'packs':>7}{'mean days, told':>17}{'run':>8}{'good for, told':>16}{'held so long':>14}")
    for number, values in sorted(found.items()):
        told, ran, good, held = np.mean(values, axis=0)
        print(f"{number:>5}{len(values):>7}{told:>17.1f}{ran:>8.1f}{good:>16.1f}{held:>14.3f}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--packs", type=int, default=6000)
    parser.add_argument("--worlds", type=int)
    parser.add_argument("--seed", type=int, default=901)
    parser.add_argument("--learn-from", type=int, default=30000)
    parser.add_argument("--home", type=Path)
    parser.add_argument("--runs", type=int, default=60)
    asked = parser.parse_args()
    plan = CohortPlan(packs=asked.packs, seed=asked.seed, days=60, worlds=asked.worlds)
    arrivals = simulate_arrivals(plan)
    if asked.worlds is not None:
        arrivals.truth["missing_ah"] = until_level(arrivals)
    found = judged(arrivals)
    print(f"{asked.packs} simulated packs, {len(found)} charges with a rest reading before them (invented)")
    if asked.worlds is not None:
        print_by_world(found[found["missing_ah"] > LEAST_MISSING_AH], asked.worlds)
        return
    print_accuracy(found)
    print_causes(found)
    print_after(arrivals)
    print_two_levels(plan, DrawDownHabits())
    few = CohortPlan(packs=max(asked.packs // 3, 600), seed=903, days=60)
    print_limits(simulate_arrivals(few), few)
    print_learned(arrivals, asked.learn_from, found)
    if asked.home:
        print_gain(arrivals, asked.home, cases=250, runs=asked.runs)


if __name__ == "__main__":
    main()
