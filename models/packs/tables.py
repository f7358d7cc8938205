"""Histories of many packs as tables, one row a fact: the form in which everything is computed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from operator import attrgetter
from typing import Any, Final, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel, ValidationError

from models.base.arrays import Bools, Floats, Rows
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
LIST_COLUMNS = frozenset(c.name for fact in FACTS.values() for c in columns_of(fact) if c.kind == "list")
TEXT_COLUMNS = LIST_COLUMNS | frozenset(
    c.name for fact in (PackHistory, *FACTS.values()) for c in columns_of(fact) if c.kind == "text"
)
SECONDS_PER_DAY = 86_400.0

_NO_TIME: Final = int(np.iinfo(np.int64).min)
"""How numpy writes a time that is missing."""

_Made = TypeVar("_Made")

VOLT_DECIMALS = 4
"""Decimals of a block voltage in V that mean something."""


def list_text(values: Iterable[float | None] | None) -> str | None:
    """Write a list of numbers as tables hold it: parted by blanks, ``nan`` for one that is not known."""
    return None if values is None else " ".join("nan" if value is None else f"{value:.10g}" for value in values)


def list_of(text: Any) -> Any:
    """Read a list of numbers as tables hold it; what is none is left as it is, for the checks to name."""
    try:
        return tuple(None if part == "nan" else float(part) for part in text.split())
    except (AttributeError, ValueError):
        return text


def block_column(block: int) -> str:
    """Return the column that holds the voltage of a block (counted from 1)."""
    return f"block_{block}_v"


def block_columns(readings: pd.DataFrame) -> list[str]:
    """List the block-voltage columns of a readings table, in block order."""
    return [c for c in readings.columns if c.startswith("block_")]


def to_days(times: pd.Series[Any] | pd.DatetimeIndex) -> NDArray[np.float64]:
    """Return UTC times as days since 1970, NaN where the time is missing. Shape (n,)."""
    aware = times if isinstance(times.dtype, pd.DatetimeTZDtype) else pd.DatetimeIndex(times).tz_convert("UTC")
    return _days_of(aware.to_numpy(dtype="datetime64[us]"))


def _days_of(micro: NDArray[np.datetime64]) -> Floats:
    days = micro.astype(np.int64) / (SECONDS_PER_DAY * 1e6)
    return np.where(np.isnat(micro), np.nan, days)


def from_days(days: NDArray[np.float64]) -> pd.DatetimeIndex:
    """Return days since 1970 as UTC times, rounded to the second; NaN becomes a missing time. Shape (n,)."""
    seconds = np.round(np.nan_to_num(days) * SECONDS_PER_DAY).astype(np.int64)
    stamps = seconds.astype("datetime64[s]").astype("datetime64[us]")
    stamps[np.isnan(days)] = np.datetime64("NaT", "us")
    return pd.DatetimeIndex(stamps).tz_localize("UTC")


def date_of(day: float) -> str:
    """Return the UTC date of a day since 1970, rounded to the second as `from_days` does: ``2026-03-01``."""
    return str(np.datetime64(round(day * SECONDS_PER_DAY), "s"))[:10]


_BY_PACK: Final = "by pack"


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
                c.name: np.full(len(frame), np.nan) if c.kind == "number" else np.full(len(frame), None, dtype=object)
                for c in columns_of(fact)
                if c.optional and c.kind != "time" and c.name not in frame
            }
            if lacking:
                documented = ["pack_id", *(c.name for c in columns_of(fact))]
                whole = frame.assign(**lacking)
                rest = [column for column in frame.columns if column not in documented]
                object.__setattr__(self, name, whole[[*documented, *rest]])

    def once(self, name: str, make: Callable[[], _Made]) -> _Made:
        """Return what follows from these tables alone, made when it is first asked for by this name."""
        found: dict[str, Any] = vars(self).setdefault("_made", {})
        if name not in found:
            found[name] = make()
        return found[name]  # type: ignore[no-any-return]

    def of_rows(self, table: str, name: str, make: Callable[[], NDArray[Any]]) -> NDArray[Any]:
        """Return what follows from each row of a table alone, as `once` does; tables of some of the rows have it too.

        Not to be written to.
        """
        return self.once(f"{table}: {name}", make)

    def column(self, table: str, name: str) -> Floats:
        """Return a column of numbers, NaN where missing. Not to be written to."""

        def read() -> Floats:
            frame: pd.DataFrame = getattr(self, table)
            return frame[name].to_numpy(np.float64, na_value=np.nan)

        return self.of_rows(table, name, read)

    def words(self, table: str, name: str) -> NDArray[np.object_]:
        """Return a column of words. Not to be written to."""

        def read() -> NDArray[np.object_]:
            frame: pd.DataFrame = getattr(self, table)
            return frame[name].to_numpy(dtype=object)

        return self.of_rows(table, name, read)

    def days(self, table: str) -> Floats:
        """Return the times of a table's rows, as `to_days`. Not to be written to."""

        def read() -> Floats:
            frame: pd.DataFrame = getattr(self, table)
            return to_days(frame["time"]) if len(frame) else np.zeros(0)

        return self.of_rows(table, "in days", read)

    def volts(self) -> Floats:
        """Return the block voltages of the readings, V, shape (rows, blocks); NaN where not read. Not to be written to.

        Rounded as single histories hold them: single precision and a file with a few decimals give the same figures.
        """

        def read() -> Floats:
            values = self.readings[block_columns(self.readings)].to_numpy(np.float64)
            return np.asarray(np.round(values, VOLT_DECIMALS))

        return self.of_rows("readings", "block volts", read)

    def topped(self) -> Bools:
        """Return which blocks each top-up names, shape (rows, most blocks of a family). Not to be written to."""

        def read() -> Bools:
            width = max((family.blocks for family in self.families.values()), default=0)
            width = max(width, len(block_columns(self.readings)))
            place, written = pd.factorize(self.words("topups", "blocks"))
            named = np.zeros((len(written), width), dtype=np.bool_)
            for row, blocks in enumerate(written):
                named[row, [int(block) - 1 for block in str(blocks).split()]] = True
            return named[place]

        return self.once("blocks topped", read)

    def first_blocks(self) -> Rows:
        """Return the block that each top-up names first, from 0. Shape (rows,). Not to be written to."""

        def read() -> Rows:
            place, written = pd.factorize(self.words("topups", "blocks"))
            first = np.array([int(str(blocks).split(" ", 1)[0]) - 1 for blocks in written], dtype=np.intp)
            return first[place]

        return self.of_rows("topups", "first blocks", read)

    def codes(self, table: str) -> Rows:
        """Return the place among the packs of each row of a table. Not to be written to."""

        def read() -> Rows:
            frame: pd.DataFrame = getattr(self, table)
            return self.pack_index().get_indexer(pd.Index(frame["pack_id"])).astype(np.intp)

        return self.of_rows(table, _BY_PACK, read)

    def pack_index(self) -> pd.Index[Any]:
        """Return the names of the packs, to look places up."""
        return self.once("packs", lambda: pd.Index(self.packs["pack_id"]))

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what follows from the rest."""
        return {name: part for name, part in vars(self).items() if name != "_made"}

    def of_packs(self, pack_ids: Iterable[str]) -> HistoryTables:
        """Keep only these packs; the tables themselves if that is all of them."""
        kept = self.pack_index().isin(list(pack_ids))
        return self.only({"packs": kept, **{name: np.append(kept, False)[self.codes(name)] for name in FACTS}})

    def only(self, kept: Mapping[str, Bools]) -> HistoryTables:
        """Keep some rows of each table, by its name; the tables themselves if that is all of them."""
        if all(rows.all() for rows in kept.values()):
            return self  # with all that was made of them
        frames = self.frames()
        parts = {
            name: frames[name] if rows.all() else frames[name][rows].reset_index(drop=True)
            for name, rows in kept.items()
        }
        some = HistoryTables(**parts, families=self.families)
        place = np.append(np.where(kept["packs"], np.cumsum(kept["packs"]) - 1, -1), -1)
        for key, values in list(vars(self).get("_made", {}).items()):
            table, _, name = key.partition(": ")
            if name:
                # By pack, what counts is the new place of each.
                mine = values if kept[table].all() else values[kept[table]]
                some.of_rows(table, name, partial(_itself, place[mine] if name == _BY_PACK else mine))
        return some

    def frames(self) -> dict[str, pd.DataFrame]:
        """Return the five tables by name."""
        return {
            "packs": self.packs,
            "readings": self.readings,
            "topups": self.topups,
            "usage": self.usage,
            "outcomes": self.outcomes,
        }


def known_at(tables: HistoryTables, moments: pd.DataFrame) -> HistoryTables:
    """Keep what was known of each pack at its moment.

    Parameters
    ----------
    moments : DataFrame
        ``pack_id``, each once, and ``origin`` (UTC). Other packs are left out.
    """
    place = pd.Index(moments["pack_id"]).get_indexer(tables.pack_index())
    asked = np.append(place >= 0, False)
    origin = np.append(np.append(to_days(moments["origin"]), np.nan)[place], np.nan)
    kept = {"packs": place >= 0}
    for name in FACTS:
        code = tables.codes(name)
        kept[name] = asked[code] & ~(tables.days(name) > origin[code])
    return tables.only(kept)


def side_by_side(parts: Mapping[str, HistoryTables]) -> HistoryTables:
    """Join the tables of several workshops; packs are named ``workshop/pack``, as two of them may use one name.

    Parameters
    ----------
    parts : mapping of str to HistoryTables
        By workshop; at least one.
    """
    frames = {workshop: tables.frames() for workshop, tables in parts.items()}

    def joined(name: str) -> pd.DataFrame:
        some = [f[name].assign(pack_id=f"{workshop}/" + f[name]["pack_id"]) for workshop, f in frames.items()]
        # Columns without a value say nothing of what a table holds.
        whole = pd.concat([frame for frame in some if len(frame)] or some[:1], ignore_index=True)
        order = ["pack_id", "time"] if "time" in whole else ["pack_id"]
        return whole.sort_values(order, kind="stable", ignore_index=True)

    families = {name: family for tables in parts.values() for name, family in tables.families.items()}
    names = next(iter(frames.values()))
    return HistoryTables(**{name: joined(name) for name in names}, families=families)


def last_facts(tables: HistoryTables) -> pd.DataFrame:
    """Return ``pack_id`` and ``origin``: the time of each pack's newest reading, top-up or plan; NaT without any."""
    times = pd.concat([frame[["pack_id", "time"]] for frame in (tables.readings, tables.topups, tables.usage)])
    newest = times.groupby("pack_id", sort=False)["time"].max()
    return pd.DataFrame(
        {"pack_id": tables.packs["pack_id"].to_numpy(), "origin": newest.reindex(tables.packs["pack_id"]).to_numpy()}
    ).astype({"origin": "datetime64[us, UTC]"})


def _arrays(rows: Mapping[str, list[Any]], columns: tuple[str, ...]) -> dict[str, NDArray[Any]]:
    data: dict[str, NDArray[Any]] = {}
    for name in columns:
        values = rows[name]
        if name == "time":
            micro = [_NO_TIME if t is None else round(t.timestamp() * 1e6) for t in values]
            data[name] = np.array(micro, dtype=np.int64).view("datetime64[us]")
        elif name in TEXT_COLUMNS:
            data[name] = np.array(values, dtype=object)
        else:
            data[name] = np.array(values, dtype=np.float64)  # None becomes NaN
    return data


def _itself(values: NDArray[Any]) -> NDArray[Any]:
    return values


def _frame(arrays: Mapping[str, NDArray[Any]]) -> pd.DataFrame:
    data: dict[str, Any] = dict(arrays)
    if "time" in data:
        data["time"] = pd.DatetimeIndex(data["time"]).tz_localize("UTC")
    return pd.DataFrame(data, copy=False)


def tables_from_histories(histories: Iterable[PackHistory], families: Mapping[str, PackFamily]) -> HistoryTables:
    """Lay histories out as tables.

    Parameters
    ----------
    histories : iterable of PackHistory
        Already checked against their families (`models.packs.history.require_fit`).
    """
    known = list(histories)
    packs: dict[str, list[Any]] = {name: [getattr(h, name) for h in known] for name in PACK_COLUMNS}

    def facts(kind: str, columns: tuple[str, ...]) -> dict[str, list[Any]]:
        read = attrgetter(*columns[1:])
        rows = [(h.pack_id, *read(fact)) for h in known for fact in getattr(h, kind)]
        values = zip(*rows, strict=True) if rows else ((),) * len(columns)
        table = {name: list(column) for name, column in zip(columns, values, strict=True)}
        return {name: [*map(list_text, values)] if name in LIST_COLUMNS else values for name, values in table.items()}

    arrays = {
        name: _arrays(facts(name, columns), columns)
        for name, columns in (
            ("readings", READING_COLUMNS),
            ("topups", TOPUP_COLUMNS),
            ("usage", USAGE_COLUMNS),
            ("outcomes", OUTCOME_COLUMNS),
        )
    }
    heads = _arrays(packs, PACK_COLUMNS)
    voltages = [r.block_v for h in known for r in h.readings]
    width = max((len(v) for v in voltages), default=0)
    matrix = np.full((len(voltages), width), np.nan)
    for row, values in enumerate(voltages):
        matrix[row, : len(values)] = [np.nan if v is None else v for v in values]
    blocks = {block_column(b + 1): matrix[:, b] for b in range(width)}
    made = {name: _frame(columns | (blocks if name == "readings" else {})) for name, columns in arrays.items()}
    tables = HistoryTables(packs=_frame(heads), **made, families=families)
    # Read out of the frames again they would cost a single forecast a quarter of its time.
    for name, table in {"packs": heads, **arrays}.items():
        for column, values_of in table.items():
            if column == "time":
                tables.of_rows(name, "in days", partial(_days_of, values_of))
            else:
                tables.of_rows(name, column, partial(_itself, values_of))
        if len(known) == 1:
            tables.of_rows(name, _BY_PACK, partial(np.zeros, len(table["pack_id"]), np.intp))
    tables.of_rows("readings", "block volts", lambda: np.asarray(np.round(matrix, VOLT_DECIMALS)))
    return tables


def history_of(tables: HistoryTables, pack_id: str) -> PackHistory:
    """Return one pack's rows as a checked `PackHistory`.

    Raises
    ------
    KeyError
        If no pack has this identifier.
    pydantic.ValidationError
        If the rows contradict one another.
    """
    some = tables.of_packs([pack_id])
    if some.packs.empty:
        raise KeyError(pack_id)
    (found,) = histories_of(some)
    if isinstance(found, ValidationError):
        raise found
    return found


def histories_of(tables: HistoryTables) -> list[PackHistory | ValidationError]:
    """Return each pack's rows as a checked `PackHistory`, or in what way they contradict one another.

    Returns
    -------
    list, length len(tables.packs)
        In their order.
    """
    ids = pd.Index(tables.packs["pack_id"])
    facts = {name: _facts_of(tables, name, ids) for name in FACTS}
    heads = {name: _values(tables.packs[name]) for name in PACK_COLUMNS}
    found: list[PackHistory | ValidationError] = []
    for place, family in enumerate(heads["family"]):
        blocks = tables.families[family].blocks if family in tables.families else None
        mine = {name: rows[place] for name, rows in facts.items()}
        mine["readings"] = [{**row, "block_v": _own_blocks(row["block_v"], blocks)} for row in mine["readings"]]
        try:
            found.append(PackHistory(**{name: values[place] for name, values in heads.items()}, **mine))
        except ValidationError as error:
            found.append(error.with_traceback(None))  # which holds on to all tables
    return found


def _own_blocks(volts: list[float | None], blocks: int | None) -> list[float | None]:
    """Cut off the columns of larger packs; what is read there all the same is kept, for the checks to name."""
    beyond = volts[blocks:] if blocks is not None else []
    return volts if any(v is not None for v in beyond) else volts[:blocks]


def _values(column: pd.Series[Any]) -> list[Any]:
    """Values of a column, None where there is none."""
    return [None if value is pd.NaT or value != value else value for value in column.tolist()]


def _facts_of(tables: HistoryTables, name: str, ids: pd.Index[Any]) -> list[list[dict[str, Any]]]:
    """Return each pack's facts of one kind, in the order of the table."""
    frame: pd.DataFrame = getattr(tables, name)
    columns = {c.name: _values(frame[c.name]) for c in columns_of(FACTS[name]) if c.name in frame}
    columns |= {c: [list_of(text) for text in values] for c, values in columns.items() if c in LIST_COLUMNS}
    if name == "readings":
        # The tables may hold single precision: beyond a tenth of a millivolt there is only its rounding.
        columns["block_v"] = [[None if v != v else v for v in row] for row in tables.volts().tolist()]
    found: list[list[dict[str, Any]]] = [[] for _ in ids]
    for place, *values in zip(ids.get_indexer(pd.Index(frame["pack_id"])), *columns.values(), strict=True):
        if place >= 0:
            found[place].append(dict(zip(columns, values, strict=True)))
    return found
