"""How often each flag is raised on simulated packs, and how many of those it holds up would have held.

    python tests/benchmarks/bench_flags.py --home FOLDER --packs 12000

The packs are simulated (invented), each as things stood at its newest moment before its end. "Held up" are those that a
flag withholds and that would otherwise be promised a day or more; "for nothing" are those of them that held for as long
as would have been promised, of those that were followed so long. "Alone" are packs that nothing else withholds.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd

from models.base.arrays import Bools, Floats
from models.forecaster import Forecaster
from models.forecasts.withheld import withheld_by
from models.packs.tables import SECONDS_PER_DAY, known_at
from service.forecasting.forecasts.together import good_for
from training.learning.moments import moments_of
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort

CONFIDENCE = 0.9
WEEK = 7.0


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--home", type=Path, required=True, help="state folder with a trained model")
    parser.add_argument("--packs", type=int, default=12_000)
    asked = parser.parse_args()
    tables = simulate_cohort(CohortPlan(packs=asked.packs, seed=7)).tables
    moments = moments_of(tables, np.random.default_rng(0)).sort_values("origin", kind="stable")
    newest = moments.groupby("pack_id", sort=False).tail(1)[["pack_id", "origin"]]
    forecaster = ModelRegistry(asked.home / "models").load_current(Forecaster).model
    batch, refused = forecaster.forecast_each(known_at(tables, newest))
    promised = good_for(forecaster, batch, CONFIDENCE)
    days, back = ends_of(tables.outcomes, batch.moments)
    flags = forecaster.flags(batch)
    withheld = [withheld_by(found) for found in flags]
    codes: dict[tuple[str, bool], Bools] = {}
    for row, found in enumerate(flags):
        for flag in found:
            codes.setdefault((flag.code, flag.grave), np.zeros(len(flags), dtype=np.bool_))[row] = True
    print(f"{len(flags)} forecast, {len(refused)} refused")
    print("| flag | packs | back within a week | held up | of these for nothing | held up by it alone | for nothing |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for (code, grave), chosen in sorted(codes.items(), key=lambda one: -one[1].sum()):
        week = chosen & (back | (days >= WEEK))
        share = f"{(back & (days <= WEEK))[week].mean():.2f}" if week.any() else "–"
        cells = [f"{code}{' (grave)' if grave else ''}", str(chosen.sum()), share]
        alone = np.array([set(found) == {code} for found in withheld])
        withholds = np.array([code in found for found in withheld])
        for some in (chosen & withholds, chosen & alone):
            held_up = some & (promised >= 1)
            followed = held_up & (back | (days >= promised))
            cells += [str(held_up.sum()), f"{(followed & (days >= promised)).sum()} of {followed.sum()}"]
        print("| " + " | ".join(cells) + " |")


def ends_of(outcomes: pd.DataFrame, moments: pd.DataFrame) -> tuple[Floats, Bools]:
    """Return after how many days each pack's first outcome came, NaN without one, and whether the fault was back."""
    both = moments[["pack_id", "origin"]].merge(outcomes[["pack_id", "time", "kind"]], on="pack_id")
    both = both[both["time"] > both["origin"]].sort_values("time", kind="stable").groupby("pack_id", sort=False).head(1)
    first = both.set_index("pack_id").reindex(moments["pack_id"])
    days = (first["time"] - first["origin"]).dt.total_seconds().to_numpy() / SECONDS_PER_DAY
    return np.asarray(days, dtype=np.float64), np.asarray(first["kind"] == "returned", dtype=np.bool_)


if __name__ == "__main__":
    main()
