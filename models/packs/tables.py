"""Histories of many packs as tables, one row a fact: the form in which everything is computed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

from models.packs.family import PackFamily
from models.packs.fields import columns_of
from models.packs.history import BlockReading, Outcome, PackHistory, TopUp, UsagePlan

FACTS: Final[Mapping[str, type[BaseModel]]] = {
    "readings": BlockReading,
    "topups": TopUp,
    "usage": UsagePlan,
    "outcomes": Outcome,
}
PACK_COLUMNS = tuple(c.name for c in columns_of(PackHistory, without=frozenset(FACTS)))
READING_COLUMNS, TOPUP_COLUMNS, USAGE_COLUMNS, OUTCOME_COLUMNS = (
    ("pack_id", *(c.name for c in columns_of(fact))) for fact in FACTS.values()
)
TEXT_COLUMNS = frozenset(
    c.name for fact in (PackHistory, *FACTS.values()) for c in columns_of(fact) if c.kind == "text"
)
SECONDS_PER_DAY = 86_400.0

VOLT_DECIMALS = 4
"""Decimals of a block voltage in V that mean something."""


def block_column(block: int) -> str:
    """Return the column that holds the voltage of a block (counted from 1)."""
    return f"block_{block}_v"


def block_columns(readings: pd.DataFrame) -> list[str]:
    """List the block-voltage columns of a readings table, in block order."""
    return [c for c in readings.columns if c.startswith("block_")]


def to_days(times: pd.Series[Any] | pd.DatetimeIndex) -> NDArray[np.float64]:
    """Return UTC times as days since 1970, NaN where the time is missing. Shape (n,)."""
    values = pd.DatetimeIndex(times)
    micro = values.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")
    days = micro.astype(np.int64) / (SECONDS_PER_DAY * 1e6)
    return np.where(np.isnat(micro), np.nan, days)


def from_days(days: NDArray[np.float64]) -> pd.DatetimeIndex:
    """Return days since 1970 as UTC times, rounded to the second; NaN becomes a missing time. Shape (n,)."""
    seconds = np.round(np.nan_to_num(days) * SECONDS_PER_DAY).astype(np.int64)
    stamps = seconds.astype("datetime64[s]").astype("datetime64[us]")
    stamps[np.isnan(days)] = np.datetime64("NaT")
    return pd.DatetimeIndex(stamps).tz_localize("UTC")


@dataclass(frozen=True)
class HistoryTables:
    """The five tables and the families they speak of.

    Attributes
    ----------
    packs : DataFrame
        `PACK_COLUMNS`; one row a pack.
    readings : DataFrame
        `READING_COLUMNS` and ``block_1_v`` to ``block_N_v``; NaN beyond a pack's own blocks or where not read.
    topups : DataFrame
        `TOPUP_COLUMNS`; ``blocks`` holds block numbers separated by spaces.
    usage, outcomes : DataFrame
        `USAGE_COLUMNS` and `OUTCOME_COLUMNS`.
    families : mapping of str to PackFamily

    Notes
    -----
    Times are UTC (``datetime64[us, UTC]``). Rows of one pack are in order of time. A column of what may be missing may
    be left out when the tables are made; it is then there, and empty.
    """

    packs: pd.DataFrame
    readings: pd.DataFrame
    topups: pd.DataFrame
    usage: pd.DataFrame
    outcomes: pd.DataFrame
    families: Mapping[str, PackFamily]

    def __post_init__(self) -> None:
        """Give the tables the columns that whoever made them had nothing for."""
        for name, fact in FACTS.items():
            frame: pd.DataFrame = getattr(self, name)
            lacking = {
                c.name: pd.Series(None, index=frame.index, dtype=object if c.kind == "text" else np.float64)
                for c in columns_of(fact)
                if c.optional and c.kind != "time" and c.name not in frame
            }
            if lacking:
                documented = ["pack_id", *(c.name for c in columns_of(fact))]
                whole = frame.assign(**lacking)
                rest = [column for column in frame.columns if column not in documented]
                object.__setattr__(self, name, whole[[*documented, *rest]])

    def of_packs(self, pack_ids: Iterable[str]) -> HistoryTables:
        """Keep only these packs."""
        keep = set(pack_ids)
        parts = {
            name: frame[frame["pack_id"].isin(keep)].reset_index(drop=True) for name, frame in self.frames().items()
        }
        return HistoryTables(**parts, families=self.families)

    def frames(self) -> dict[str, pd.DataFrame]:
        """Return the five tables by name."""
        return {
            "packs": self.packs,
            "readings": self.readings,
            "topups": self.topups,
            "usage": self.usage,
            "outcomes": self.outcomes,
        }


def _frame(rows: Mapping[str, list[Any]], columns: tuple[str, ...]) -> pd.DataFrame:
    data: dict[str, Any] = {}
    for name in columns:
        values = rows[name]
        if name == "time":
            stamps = np.array(
                [
                    np.datetime64("NaT") if t is None else np.datetime64(round(t.timestamp() * 1e6), "us")
                    for t in values
                ],
                "datetime64[us]",
            )
            data[name] = pd.DatetimeIndex(stamps).tz_localize("UTC")
        elif name in TEXT_COLUMNS:
            data[name] = np.array(values, dtype=object)
        else:
            data[name] = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
    return pd.DataFrame(data)


def tables_from_histories(histories: Iterable[PackHistory], families: Mapping[str, PackFamily]) -> HistoryTables:
    """Lay histories out as tables.

    Parameters
    ----------
    histories : iterable of PackHistory
        Already checked against their families (`models.packs.history.require_fit`).
    families : mapping of str to PackFamily

    Returns
    -------
    HistoryTables
    """
    known = list(histories)
    packs: dict[str, list[Any]] = {name: [getattr(h, name) for h in known] for name in PACK_COLUMNS}

    def facts(kind: str, columns: tuple[str, ...]) -> dict[str, list[Any]]:
        rows = [(h.pack_id, fact) for h in known for fact in getattr(h, kind)]
        table: dict[str, list[Any]] = {"pack_id": [pack_id for pack_id, _ in rows]}
        for name in columns[1:]:
            table[name] = [getattr(fact, name) for _, fact in rows]
        return table

    topups = facts("topups", TOPUP_COLUMNS)
    topups["blocks"] = [" ".join(map(str, b)) for b in topups["blocks"]]
    readings = _frame(facts("readings", READING_COLUMNS), READING_COLUMNS)
    voltages = [r.block_v for h in known for r in h.readings]
    width = max((len(v) for v in voltages), default=0)
    matrix = np.full((len(voltages), width), np.nan)
    for row, values in enumerate(voltages):
        matrix[row, : len(values)] = [np.nan if v is None else v for v in values]
    blocks = pd.DataFrame(matrix, columns=[block_column(b + 1) for b in range(width)])
    return HistoryTables(
        packs=_frame(packs, PACK_COLUMNS),
        readings=pd.concat([readings, blocks], axis=1),
        topups=_frame(topups, TOPUP_COLUMNS),
        usage=_frame(facts("usage", USAGE_COLUMNS), USAGE_COLUMNS),
        outcomes=_frame(facts("outcomes", OUTCOME_COLUMNS), OUTCOME_COLUMNS),
        families=families,
    )


def _known(value: Any) -> Any:
    return None if pd.isna(value) else value


def history_of(tables: HistoryTables, pack_id: str) -> PackHistory:
    """Return one pack's rows as a checked `PackHistory`.

    Raises
    ------
    KeyError
        If no pack has this identifier.
    pydantic.ValidationError
        If the rows contradict one another.
    """
    pack = tables.packs[tables.packs["pack_id"] == pack_id]
    if pack.empty:
        raise KeyError(pack_id)
    head = pack.iloc[0]
    family = tables.families.get(str(head["family"]))
    columns = block_columns(tables.readings)[: family.blocks if family else None]

    def facts(frame: pd.DataFrame) -> list[dict[str, Any]]:
        rows = frame[frame["pack_id"] == pack_id].to_dict("records")
        return [{str(k): _known(v) for k, v in row.items() if k != "pack_id"} for row in rows]

    readings = []
    for row in facts(tables.readings):
        # The tables hold single precision: beyond a tenth of a millivolt there is only its rounding.
        volts = tuple(None if row[c] is None else round(float(row[c]), VOLT_DECIMALS) for c in columns)
        readings.append(BlockReading(**{k: row[k] for k in READING_COLUMNS[1:]}, block_v=volts))
    topups = [
        TopUp(**{**row, "blocks": tuple(int(b) for b in str(row["blocks"]).split())}) for row in facts(tables.topups)
    ]
    return PackHistory(
        pack_id=pack_id,
        family=str(head["family"]),
        age_years=_known(head["age_years"]),
        odometer_km=_known(head["odometer_km"]),
        readings=tuple(readings),
        topups=tuple(topups),
        usage=tuple(UsagePlan(**row) for row in facts(tables.usage)),
        outcomes=tuple(Outcome(**row) for row in facts(tables.outcomes)),
    )
