"""A simulated year in Marrow Bay, ten times over: what does ordering by the forecast save? Prints tables.

    python tests/benchmarks/bench_year.py --home FOLDER [--seeds 10] [--cases 60]

All money, lead times and packs are invented, and stated below; they were fixed before anything was run.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"

import argparse
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from models.decisions.lead_time import Quote
from models.decisions.ordering import Costs
from models.forecaster import Forecaster
from models.packs.tables import HistoryTables
from tests.studies.order_year.simulate import (
    FOLLOWED_DAYS,
    Cleaning,
    Curves,
    Ledger,
    Orders,
    Supply,
    Year,
    cleaned_curves,
    forecast_curves,
    order_by_plan,
    order_on_release,
    settle,
    simulate_year,
    true_curves_of,
)
from training.registry import ModelRegistry

ORDINARY, EXPRESS = 0, 1
RULES = ("(a) due in two weeks", "(b) at once")
EXPRESS_RULE, CLEAN_RULE = "(b') at once, by express", "(b'') at once, all cleaned"
OURS, TRUTH = "(c) ours", "(d) truth known"
PACKS_OURS, PACKS_TRUTH = "(c') ours, packs only", "(d') truth, packs only"
READ = "(c'') packs only, waiting ones read"
READING_COST, CLEANING_COST = 60.0, 160.0
SUPPLIES = (
    Supply("Harbour Parts, ordinary", 1750.0, 0.0, Quote(12, 9, 21), 12.0, 0.25),
    Supply("Harbour Parts, express", 1750.0, 290.0, Quote(3, 2, 6), 2.8, 0.30),
    Supply("Mainland Packs, by sea", 1520.0, 0.0, Quote(24, 18, 40), 24.0, 0.25),
)
COSTS = Costs(currency="EUR", stranding=420.0, day_off_road=75.0, capital_per_day=1.4, return_value=700.0)


@dataclass(frozen=True)
class World:
    """One set of assumptions."""

    words: str
    supplies: tuple[Supply, ...] = SUPPLIES
    costs: Costs = COSTS
    cleaning: float = CLEANING_COST


def with_costs(**changed: float) -> Costs:
    return replace(COSTS, **changed)


WORLDS = (
    World("as stated"),
    World("stranding 840", costs=with_costs(stranding=840.0)),
    World("stranding 210", costs=with_costs(stranding=210.0)),
    World("a day off the road 150", costs=with_costs(day_off_road=150.0)),
    World("a day off the road 35", costs=with_costs(day_off_road=35.0)),
    World("capital 2.8 a day", costs=with_costs(capital_per_day=2.8)),
    World("cleaning 320", cleaning=2 * CLEANING_COST),
    World("needless pack worth 1200", costs=with_costs(return_value=1200.0)),
    World("express fee 580", supplies=(SUPPLIES[0], replace(SUPPLIES[1], express_fee=580.0), SUPPLIES[2])),
    World("no supplier by sea", supplies=SUPPLIES[:2]),
    World("lead times spread twice as wide", supplies=tuple(replace(s, spread=2 * s.spread) for s in SUPPLIES)),
)


@dataclass(frozen=True)
class Known:
    """What somebody knows of a year's cases: curves as they were let go, and with connections cleaned."""

    curves: Curves
    cleaned: Curves


def policies(year: Year, world: World, ours: Known, truth: Known) -> Mapping[str, Ledger]:
    supplies, costs = world.supplies, world.costs
    offers = year.offers(supplies, costs.currency)

    def planned(known: Known) -> Orders:
        return order_by_plan(year, known.curves, offers, costs, cleaning=Cleaning(world.cleaning, known.cleaned))

    ordered = {
        RULES[0]: order_on_release(year, ORDINARY, 14 - SUPPLIES[ORDINARY].quote.usual_days),
        RULES[1]: order_on_release(year, ORDINARY),
        EXPRESS_RULE: order_on_release(year, EXPRESS),
        CLEAN_RULE: order_on_release(year, ORDINARY, cleaned=True),
        OURS: planned(ours),
        TRUTH: planned(truth),
    }
    if world is WORLDS[0]:
        ordered[PACKS_OURS] = order_by_plan(year, ours.curves, offers, costs)
        ordered[PACKS_TRUTH] = order_by_plan(year, truth.curves, offers, costs)
        ordered[READ] = order_by_plan(year, ours.curves, offers, costs, rechecks=True)
    paid = {"reading_cost": READING_COST, "cleaning_cost": world.cleaning}
    return {name: settle(year, orders, supplies, offers, costs, **paid) for name, orders in ordered.items()}


def kept(year: Year, curves: Curves) -> Curves:
    """The same curves, each worked out once: the worlds differ in money, not in packs."""
    found: dict[tuple[int, float], np.ndarray] = {}

    def looked_up(tables: HistoryTables, case: np.ndarray, held: np.ndarray) -> np.ndarray:
        if tables is not year.tables:
            return curves(tables, case, held)
        keys = list(zip(case.tolist(), held.tolist(), strict=True))
        new = np.array([key not in found for key in keys])
        if new.any():
            found.update(
                zip([key for key in keys if key not in found], curves(tables, case[new], held[new]), strict=True)
            )
        return np.stack([found[key] for key in keys])

    return looked_up


def print_assumptions(cases: int, seeds: int) -> None:
    print(f"{seeds} years of {cases} cases each, followed for {FOLLOWED_DAYS} days from their release; all invented.")
    print("A case is a pack let go on a top-up, of the usual mix of weaknesses; nobody knows which.")
    for supply in SUPPLIES:
        days = supply.days(np.random.default_rng(0).standard_normal(20_000))
        low, middle, high = np.quantile(days, (0.05, 0.5, 0.95))
        quote = supply.quote
        print(
            f"- {supply.supplier}: pack {supply.price:,.0f}, fee {supply.express_fee:,.0f}; quoted {quote.usual_days} "
            f"days ({quote.earliest_days} to {quote.latest_days}), really {middle:.0f} ({low:.0f} to {high:.0f})"
        )
    print(f"- stranding {COSTS.stranding:,.0f} (recovery, the trip taken over, goodwill)")
    print(f"- a day off the road {COSTS.day_off_road:,.0f} (a hired vehicle)")
    print(
        f"- a pack bought a day before it is needed {COSTS.capital_per_day:,.2f} (its life used up, the capital in it)"
    )
    print(f"- a pack that was not needed is still worth {COSTS.return_value:,.0f}")
    print(f"- connections cleaned on the open pack before the release {CLEANING_COST:,.0f} (two hours)")
    print(
        "- at a return without an order every policy takes the offer that is then cheapest, days off the road counted"
    )
    print("- deliveries on record for each offer: 25")
    print("(a) a top-up is taken to hold two weeks: ordered from the ordinary supplier so that it is due on day 14")
    print("(b) ordered at once from the ordinary supplier; (b') the same, but always by express; (b'') as (b), and the")
    print("    connections of every pack are cleaned before its release")
    print(
        "(c) least expected cost by our forecasts, planned anew every week; connections are cleaned before the release"
    )
    print(
        "    where our what-if makes that cheaper; (d) the same by the true distributions, from what is hidden in each"
    )
    print("    pack: more than any reading tells")
    print("(c'), (d') the same without cleaning; (c'') as (c'), and every week those still waiting are called in and")
    print(f"    read, at {READING_COST:,.0f} each time")


def print_policies(years: list[Mapping[str, Ledger]]) -> None:
    print(f"\n{'per year':36}{'strandings':>11}{'days off':>10}{'express':>9}{'needless':>10}{'cleaned':>9}", end="")
    print(f"{'total':>10}{'needed':>9}{'beyond':>9}{'± se':>7}")
    for name in years[0]:
        ledgers = [year[name] for year in years]
        row = {f: np.mean([getattr(x, f) for x in ledgers]) for f in ("strandings", "days_off_road", "express_fees")}
        beyond = [x.avoidable for x in ledgers]
        print(
            f"{name:36}{row['strandings']:>11.1f}{row['days_off_road']:>10.1f}{row['express_fees']:>9,.0f}"
            f"{np.mean([x.needless for x in ledgers]):>10.1f}{np.mean([x.cleaned for x in ledgers]):>9.1f}"
            f"{np.mean([x.total for x in ledgers]):>10,.0f}"
            f"{np.mean([x.unavoidable for x in ledgers]):>9,.0f}{np.mean(beyond):>9,.0f}"
            f"{np.std(beyond, ddof=1) / np.sqrt(len(beyond)):>7,.0f}"
        )
    print("needed: for every fault that comes back if nothing is done, the cheapest pack, or cleaned connections where")
    print("these keep it away; beyond: what was paid besides")


def compared(years: list[Mapping[str, Ledger]]) -> tuple[str, list[float]]:
    """Name the better of (a) and (b), and say what ours saves and how far it is from the truth."""

    def mean(name: str, what: str) -> float:
        return float(np.mean([getattr(year[name], what) for year in years]))

    best = min(RULES, key=lambda name: mean(name, "total"))
    ours, truth, express = (mean(name, "avoidable") for name in (OURS, TRUTH, EXPRESS_RULE))
    rule = mean(best, "avoidable")
    shares = [1 - ours / rule, 1 - ours / min(express, rule), 1 - truth / rule, ours / truth - 1]
    return best, [
        *shares,
        1 - mean(OURS, "total") / mean(best, "total"),
        mean(OURS, "total") / mean(TRUTH, "total") - 1,
    ]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--home", type=Path, required=True)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--cases", type=int, default=60)
    asked = parser.parse_args()
    forecaster = ModelRegistry(asked.home / "models").load_current(Forecaster).model
    print_assumptions(asked.cases, asked.seeds)
    years = [simulate_year(asked.cases, seed) for seed in range(4001, 4001 + asked.seeds)]
    sources = [
        (
            year,
            Known(kept(year, forecast_curves(year, forecaster)), cleaned_curves(year, forecaster)),
            Known(true_curves_of(year), true_curves_of(year, cleaned=True)),
        )
        for year in years
    ]
    lines = []
    for world in WORLDS:
        told = [policies(year, world, ours, truth) for year, ours, truth in sources]
        if world is WORLDS[0]:
            print_policies(told)
        lines.append((world.words, *compared(told)))
    print("\nOurs against the better of (a) and (b), against that or (b'), and against the truth")
    print(f"{'':34}{'better':>8}{'beyond what was needed':>40}{'total':>18}")
    heads = ("saved", "or (b')", "truth saves", "over truth", "saved", "over truth")
    print(f"{'assumptions':34}{'rule':>8}" + "".join(f"{head:>12}" for head in heads))
    for words, best, shares in lines:
        print(f"{words:34}{best[:3]:>8}" + "".join(f"{share:>12.1%}" for share in shares))


if __name__ == "__main__":
    main()
