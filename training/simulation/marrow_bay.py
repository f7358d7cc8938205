"""The Marrow Bay fleet: a small invented record for the demonstration, made again to the byte from its seed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pandas as pd

from models.packs.family import PackFamily
from models.packs.tables import HistoryTables, block_columns
from training.files.tables import write_tables
from training.simulation.cohort import CohortPlan, simulate_cohort

SEED: Final = 20230306
UNITS: Final = 60
RECORD_END: Final = datetime(2023, 3, 6, 18, 0, tzinfo=UTC)
"""The evening on which the record was taken: nothing later is in it. Invented."""

FAMILIES: Final = ("flint-40", "loess-28", "marl-28", "shale-20")
_SERVICES: Final = ("VAN", "CAB", "CLINIC")


def marrow_bay_fleet(families: Mapping[str, PackFamily] | None = None) -> HistoryTables:
    """Make the record of the Marrow Bay fleet: invented vans, cabs and clinic cars over one winter.

    Returns
    -------
    HistoryTables
        Packs that came in between autumn and the end of the record; some returned, some replaced, some still out
        (these have no outcome yet).
    """
    plan = CohortPlan(UNITS, SEED, families=FAMILIES, places=("marrow-bay",), first_fault_day=(345, 433), years=1)
    tables = simulate_cohort(plan, families=families).tables
    end = pd.Timestamp(RECORD_END)
    ids = tables.packs["pack_id"].to_numpy(dtype=object)
    names = {old: f"MB-{_SERVICES[i % 3]}-{i // 3 + 1:02d}" for i, old in enumerate(ids)}
    frames: dict[str, pd.DataFrame] = {}
    for name, frame in tables.frames().items():
        part = frame.copy()
        if name == "readings":
            # As in a spreadsheet: three decimals, so that the tables here and their CSV files are the same numbers.
            columns = block_columns(part)
            part[columns] = part[columns].astype("float64").round(3)
        if "time" in part:
            part = part[part["time"] <= end]
        part["pack_id"] = part["pack_id"].map(names)
        keys = ["pack_id", "time"] if "time" in part else ["pack_id"]
        frames[name] = part.sort_values(keys, kind="stable", ignore_index=True)
    seen = set(frames["topups"]["pack_id"])
    frames = {name: frame[frame["pack_id"].isin(seen)].reset_index(drop=True) for name, frame in frames.items()}
    return HistoryTables(**frames, families=tables.families)


def demo_van(fleet: HistoryTables) -> str:
    """Return the van with full evidence that was released last and is still holding at the end of the record."""
    newest = fleet.topups.groupby("pack_id").tail(1).set_index("pack_id")
    ended = fleet.outcomes.groupby("pack_id")["time"].max()
    still_out = ~(ended.reindex(newest.index) > newest["time"])
    planned = fleet.usage.groupby("pack_id")["km_per_day"].last().reindex(newest.index).notna()
    read_since = fleet.readings.groupby("pack_id")["time"].max().reindex(newest.index) > newest["time"]
    full = still_out & planned & read_since & newest["charge_ah"].notna() & newest["end_v"].notna()
    vans = newest[full & newest.index.str.startswith("MB-VAN")]
    return str(vans["time"].idxmax())


def write_fleet(folder: Path) -> None:
    """Write the fleet's tables as CSV: the same bytes every time."""
    write_tables(marrow_bay_fleet(), folder)
