"""A year of orders among packs that others simulated: does ordering by a forecast that knows nothing of them cost more?

    python tests/benchmarks/bench_account_year.py --judge JUDGE.py --models FOLDER ACCOUNT.py ...

The releases of each account (`bench_accounts.py` says what accounts and judge are) are dealt out into years; orders,
lead times and money are those of `bench_year.py`, all invented. With `--learn` a model first learns from so many first
returns of a censored record there. Beside the rules of thumb stand the account's own Kaplan-Meier curve, the same for
every pack, and a buyer who knows each pack's day. Prints the mean of years for each account, and what ordering by the
forecast saves on the better rule with its standard error.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"

import argparse
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import pandas as pd

from models.base.day_grid import DAYS
from models.forecaster import Forecaster
from models.packs.tables import HistoryTables
from tests.benchmarks.bench_year import EXPRESS, EXPRESS_RULE, ORDINARY, OURS, RULES, WORLDS, World, kept
from tests.studies.order_year.simulate import (
    Curves,
    Ledger,
    forecast_curves,
    order_by_plan,
    order_on_release,
    settle,
    true_curves_of,
    year_of_releases,
)
from training.learning.moments import SurvivalRows
from training.learning.own_records import OwnRows, learned_forecaster
from training.registry import ModelRegistry

PLACE, DAY_KNOWN = "the place's own curve", "each day known"


def loaded(path: Path) -> ModuleType:
    """Import a file by its path."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


def place_curves(rows: SurvivalRows) -> Curves:
    """Return one curve for every case: the share of releases that held on, given that they still hold."""
    days = np.where(rows.event, rows.time, np.inf)

    def curves(_: HistoryTables, case: np.ndarray, held: np.ndarray) -> np.ndarray:
        on = (days > (held[:, None] + DAYS)[:, :, None]).mean(axis=2)
        return np.asarray(on / np.maximum(on[:, :1], 1e-12))

    return curves


def years_of(tables: HistoryTables, rows: SurvivalRows, cases: int, forecaster: Forecaster):
    """Deal releases out into years, with what each way of forecasting says of them."""
    place = place_curves(rows)
    for number in range(len(rows) // cases):
        some = rows.take(np.arange(number * cases, (number + 1) * cases))
        year = year_of_releases(tables, some, number)
        yield year, {OURS: kept(year, forecast_curves(year, forecaster)), PLACE: place, DAY_KNOWN: true_curves_of(year)}


def learned(base: Forecaster, judge: ModuleType, account: ModuleType, returns: int) -> Forecaster:
    """Learn from the first packs of a workshop there, up to so many first returns."""
    shop = account.cohort(max(600, 3 * returns), 31, censored=True)
    every = judge.release_rows(judge.tables_of(shop))
    packs = every.moments["pack_id"].iloc[: int(np.searchsorted(np.cumsum(every.event), returns)) + 1]
    own = judge.tables_of(shop, set(packs))
    own.outcomes["found"] = None
    return learned_forecaster(base, OwnRows.of(own, 0), own)


def ledgers(year, curves: dict[str, Curves], world: World) -> dict[str, Ledger]:
    """Let one year happen by each way of ordering."""
    supplies, costs = world.supplies, world.costs
    offers = year.offers(supplies, costs.currency)
    ordered = {
        RULES[0]: order_on_release(year, ORDINARY, 14 - supplies[ORDINARY].quote.usual_days),
        RULES[1]: order_on_release(year, ORDINARY),
        EXPRESS_RULE: order_on_release(year, EXPRESS),
    } | {name: order_by_plan(year, told, offers, costs) for name, told in curves.items()}
    return {
        name: settle(year, orders, supplies, offers, costs, reading_cost=0.0, cleaning_cost=0.0)
        for name, orders in ordered.items()
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("accounts", nargs="+", type=Path)
    parser.add_argument("--judge", required=True, type=Path)
    parser.add_argument("--models", required=True, type=Path)
    parser.add_argument("--packs", type=int, default=1500)
    parser.add_argument("--cases", type=int, default=60)
    parser.add_argument("--learn", type=int, default=0, help="first returns of the place to learn from")
    asked = parser.parse_args()
    judge = loaded(asked.judge)
    forecaster = ModelRegistry(asked.models).load_current(Forecaster).model
    for path in asked.accounts:
        account = loaded(path)
        tables = judge.tables_of(account.cohort(asked.packs, 11, censored=False))
        rows = judge.release_rows(tables)
        model = learned(forecaster, judge, account, asked.learn) if asked.learn else forecaster
        years = list(years_of(tables, rows, asked.cases, model))
        print(
            f"\n{path.stem}: {len(years)} years of {asked.cases} cases; paid beyond the packs that were needed, a year"
        )
        found = []
        for world in WORLDS:
            paid = pd.DataFrame(
                [{name: x.avoidable for name, x in ledgers(year, curves, world).items()} for year, curves in years]
            )
            mean = paid.mean()
            best = min(RULES, key=lambda rule: mean[rule])
            saved = paid[best] - paid[OURS]
            error = saved.std(ddof=1) / np.sqrt(len(saved))
            found.append(
                {"assumptions": world.words, **mean.round(0), "saved": saved.mean().round(0), "se": error.round(0)}
            )
        print(pd.DataFrame(found).to_string(index=False))


if __name__ == "__main__":
    main()
