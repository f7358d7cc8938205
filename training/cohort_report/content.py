"""Figures of the evidence page, from one cohort in which nobody replaces anything."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.day_grid import DAYS
from models.packs.family import PackFamily
from models.packs.tables import block_columns, from_days, to_days
from models.physics.cell_curves import CurveLookup
from models.physics.day_step import draw_day, recentre, run_day, top_up
from models.physics.driving import day_use
from models.physics.imbalance import deviation_v
from models.physics.pack_state import PackState
from models.survival.kaplan_meier import kaplan_meier
from training.simulation.cohort import Cohort
from training.simulation.meters import MeterQuality, VisitFaults, read_blocks
from training.simulation.places import PLACES
from training.simulation.population import CONDITION_SHARES

SEASONS: Final = ("winter", "spring", "summer", "autumn")
LEVEL_SHARE: Final = 0.1
"""A block within this much of the pack's median state of charge at the release counts as about level."""

FEWEST: Final = 20
"""Packs in a group below which no figure is given."""


@dataclass(frozen=True)
class ReturnDays:
    """Return days of a group of packs.

    Attributes
    ----------
    tenth, half, nine_tenths : float
        Days by which so many are back; infinity if they were not within the days followed.
    by_7, from_8_to_28, by_60 : float
        Shares.
    """

    packs: int
    tenth: float
    half: float
    nine_tenths: float
    by_7: float
    from_8_to_28: float
    by_60: float

    @classmethod
    def of(cls, held: pd.Series[float]) -> ReturnDays | None:
        """Summarise hold times (infinity for never); None for too few packs."""
        if len(held) < FEWEST:
            return None
        low, mid, high = (float(held.quantile(q, interpolation="lower")) for q in (0.1, 0.5, 0.9))
        early, month = float((held <= 7).mean()), float((held <= 28).mean())
        return cls(len(held), low, mid, high, early, month - early, float((held <= 60).mean()))


def hold_table(cohort: Cohort) -> pd.DataFrame:
    """Join, for each pack, the hidden truth with its first top-up and how long that held.

    Parameters
    ----------
    cohort : Cohort
        Simulated with ``keep_states``, without replacement and without a second top-up.

    Returns
    -------
    DataFrame, index ``pack_id``
        The truth, and ``held`` (days, infinity for never), ``right`` (the weak block was topped up), ``level`` (it was
        about level at the release) and ``season`` of the top-up.
    """
    tables, truth = cohort.tables, cohort.truth.set_index("pack_id")
    first = tables.topups.groupby("pack_id").first().reindex(truth.index)
    outcomes = tables.outcomes
    back = outcomes[outcomes["kind"] == "returned"].groupby("pack_id")["time"].first().reindex(truth.index)
    start = to_days(first["time"])
    truth["held"] = np.nan_to_num(to_days(back) - start, nan=np.inf)
    truth["right"] = first["blocks"].astype(int) == truth["weak_block"]
    truth["level"] = _share_at_release(cohort).reindex(truth.index) > -LEVEL_SHARE
    turn = ((start % 365.25 + 31) // 91.4).astype(int) % 4
    truth["season"] = np.array(SEASONS, dtype=object)[turn]
    return truth


def _share_at_release(cohort: Cohort) -> pd.Series[float]:
    """State of charge of the weak block at its first release, less the pack's median."""
    truth = cohort.truth
    ids = {(c, r): p for p, c, r in zip(truth["pack_id"], truth["cell"], truth["row"], strict=True)}
    found: dict[str, float] = {}
    for cell, record in enumerate(cohort.cells):
        if record.states is None:
            continue
        rows, state = record.states.pack, record.states.state
        soc = state.charge_ah / state.capacity_ah
        own = soc[np.arange(len(rows)), record.population.weak_block[rows]] - np.median(soc, axis=1)
        for row, value in zip(rows, own, strict=True):
            found.setdefault(ids[(cell, int(row))], float(value))
    return pd.Series(found)


def condition_rows(held: pd.DataFrame) -> list[tuple[str, float, ReturnDays | None, ReturnDays | None]]:
    """List, for each condition: share topped on the right block, all of them, and those right and about level."""
    rows = []
    for name in CONDITION_SHARES:
        of = held[held["condition"] == name]
        right = float(of["right"].mean()) if len(of) else float("nan")
        good = of.loc[of["right"] & of["level"], "held"]
        rows.append((name, right, ReturnDays.of(of["held"]), ReturnDays.of(good)))
    return rows


def season_rows(held: pd.DataFrame, kind: str) -> list[tuple[str, list[ReturnDays | None]]]:
    """List, for each place, the return days of a condition by season; right block and about level only."""
    good = held[(held["condition"] == kind) & held["right"] & held["level"]]
    rows = []
    for place in PLACES:
        at = good[good["place"] == place]
        rows.append((place, [ReturnDays.of(at.loc[at["season"] == season, "held"]) for season in SEASONS]))
    return rows


def kind_curves(held: pd.DataFrame) -> dict[str, NDArray[np.float64]]:
    """Share still holding on the grid days, for each kind; nobody is censored before the horizon."""
    found = {}
    for kind in ("leak", "fade", "neglect", "joint"):
        days = held.loc[held["kind"] == kind, "held"].to_numpy(np.float64)
        if len(days) >= FEWEST:
            event = np.isfinite(days)
            found[kind] = kaplan_meier(np.where(event, days, DAYS[-1] + 1), event).at(DAYS)
    return found


@dataclass(frozen=True)
class Trap:
    """Rest deviation of a topped block over time, driven and parked.

    Attributes
    ----------
    days : array, shape (m,)
        Days after the charge; the first value is just before it.
    driven_mv, parked_mv : array, shape (m, 3)
        10, 50 and 90 % of what a bench meter reads.
    missing_mv : array, shape (m,)
        What the charge that is really missing would show on its own, in the driven packs.
    """

    days: NDArray[np.float64]
    driven_mv: NDArray[np.float64]
    parked_mv: NDArray[np.float64]
    missing_mv: NDArray[np.float64]


def hysteresis_trap(family: PackFamily, rng: np.random.Generator, packs: int = 400, days: int = 10) -> Trap:
    """Top up one block short by a fifth of its charge with two thirds of that, and read it at rest each morning."""
    clean = MeterQuality(missing_channel=0, stuck_channel=0, swapped_leads=0)
    lookup, block = CurveLookup.of(family.curves), 3
    rows = np.arange(packs)

    def each(value: float) -> NDArray[np.float32]:
        return np.full(packs, value, dtype=np.float32)

    def reading(state: PackState) -> NDArray[np.float64]:
        faults = VisitFaults.draw(clean, family.blocks, packs, rng)
        shot = read_blocks(family, state, "rest", np.full(packs, 15.0), np.full(packs, True), faults, clean, rng)
        return np.asarray(np.quantile(1e3 * deviation_v(shot.block_v)[:, block], (0.1, 0.5, 0.9)))

    def run(km: float, trips: int) -> tuple[list[NDArray[np.float64]], list[float]]:
        state = PackState.alike(family, packs)
        state.charge_ah[:, block] -= np.float32(0.2 * family.rated_ah)
        recentre(family, state)
        seen, really = [reading(state)], [_ideal_mv(family, state, block)]
        top_up(state, rows, np.full(packs, block), each(0.2 * 2 / 3 * family.rated_ah))
        use = day_use(family, each(km), np.full(packs, trips), each(15), each(1), each(0))
        for day in range(days):
            if day:
                run_day(family, lookup, state, use, draw_day(rng, packs, family.blocks))
            seen.append(reading(state))
            really.append(_ideal_mv(family, state, block))
        return seen, really

    driven, really = run(40.0, 3)
    parked, _ = run(0.0, 0)
    at = np.concatenate([[-0.5], np.arange(days)]).astype(np.float64)
    return Trap(at, np.array(driven), np.array(parked), np.array(really))


def _ideal_mv(family: PackFamily, state: PackState, block: int) -> float:
    """Median rest deviation that the missing charge alone would show, mV."""
    soc = state.charge_ah / state.capacity_ah
    volts = family.cells_per_block * np.interp(soc, family.curves.soc, family.curves.ocv_v)
    return float(np.median(1e3 * deviation_v(volts)[:, block]))


@dataclass(frozen=True)
class Example:
    """One pack as a workshop saw it at its release, beside what nobody saw.

    Attributes
    ----------
    weak_block, topped_block : int
        From 1.
    before_mv, after_mv : array, shape (blocks,)
        Deviation from the median at rest as read, on arrival and at the release.
    true_missing : array, shape (blocks,)
        Charge really missing at the release, percent of the state of charge, against the pack's median.
    """

    pack_id: str
    family: str
    condition: str
    weak_block: int
    topped_block: int
    before_mv: NDArray[np.float64]
    after_mv: NDArray[np.float64]
    true_missing: NDArray[np.float64]
    held_days: float


def worked_example(cohort: Cohort, held: pd.DataFrame) -> Example | None:
    """Find the first leaking pack, of few enough blocks to draw, read at rest on arrival and at its release."""
    readings = cohort.tables.readings
    rest = readings[readings["state"] == "rest"]
    topups = cohort.tables.topups.groupby("pack_id").first()
    good = held[(held["condition"] == "leak") & held["right"] & held["held"].between(6, 30)]
    cells = {(int(c), int(r)): p for p, c, r in zip(good.index, good["cell"], good["row"], strict=True)}
    for cell, record in enumerate(cohort.cells):
        states = record.states
        if states is None or not 8 <= record.family.blocks <= 20:
            continue
        for row, (pack, day) in enumerate(zip(states.pack, states.day, strict=True)):
            pack_id = cells.get((cell, int(pack)))
            if pack_id is None:
                continue
            own, charged = rest[rest["pack_id"] == pack_id], topups.loc[pack_id, "time"]
            morning = from_days(np.array([held.loc[pack_id, "day0"] + day]))[0]
            before = own[(own["time"] < charged) & (own["time"] > charged - pd.Timedelta(days=3))]
            after = own[
                (own["time"] > charged) & (own["time"] >= morning) & (own["time"] < morning + pd.Timedelta(days=1))
            ]
            if before.empty or after.empty:
                continue
            columns = block_columns(readings)[: record.family.blocks]
            volts = np.array([before[columns].iloc[-1], after[columns].iloc[0]], dtype=np.float64)
            if np.isnan(volts).any():
                continue
            soc = states.state.charge_ah[row] / states.state.capacity_ah[row]
            seen = 1e3 * deviation_v(volts)
            return Example(
                pack_id=str(pack_id),
                family=record.family.title,
                condition="leak",
                weak_block=int(held.loc[pack_id, "weak_block"]),
                topped_block=int(topups.loc[pack_id, "blocks"]),
                before_mv=seen[0],
                after_mv=seen[1],
                true_missing=100.0 * (np.median(soc) - soc),
                held_days=float(held.loc[pack_id, "held"]),
            )
    return None
