"""From a row of a file to a checked record, or to what is wrong with it, in the file's own words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from models.base.errors import problems_from
from models.packs.fields import columns_of
from models.packs.tables import LIST_COLUMNS, list_of
from service.exchange.imports.files import Row
from service.exchange.imports.long_form import resistance_of
from service.exchange.imports.mapping import FORMATS_WITHOUT_ZONE, FileMapping, NoOffset, TableName
from service.exchange.imports.times import time_of_day
from service.records.subjects.outcomes import NewOutcome
from service.records.subjects.packs import NewPack
from service.records.subjects.readings import NewReading
from service.records.subjects.topups import NewTopUp
from service.records.subjects.usage import NewUsagePlan
from training.files.units import Scale, scale_of
from training.files.written import blocks_written, number_written

NEW: Final[Mapping[TableName, type[BaseModel]]] = {
    "packs": NewPack,
    "readings": NewReading,
    "topups": NewTopUp,
    "usage": NewUsagePlan,
    "outcomes": NewOutcome,
}
_TEXT: Final = frozenset(c.name for new in NEW.values() for c in columns_of(new) if c.kind != "number")
HALF_A_DAY: Final = timedelta(hours=12)
_BLOCK: Final = re.compile(r"^(block_v|resistance_mohm)\[(\d+)\]")


@dataclass(frozen=True)
class RowFault:
    """Why a row of a file was not taken.

    Attributes
    ----------
    row : int
        As an editor shows it; the heading is row 1. In Parquet and JSON the first row or history is 1.
    column : str
        Heading in the file; empty if the row as a whole is meant.
    """

    file: str
    row: int
    column: str
    reason: str
    mend: str


class RowReader:
    """Turns rows of one file into records.

    Parameters
    ----------
    file : str
        Its name, for faults.
    blocks_of : callable
        Returns the number of blocks of a pack, None if it is not known.
    """

    def __init__(self, mapping: FileMapping, file: str, blocks_of: Callable[[str], int | None]) -> None:
        self.mapping = mapping
        self.blocks_of = blocks_of
        self.file = file
        self.new = NEW[mapping.table]
        self._scales = {column: scale_of(column, unit) for column, unit in mapping.units.items()}
        units = mapping.block_units or (mapping.units.get("block_v", "V"),) * len(mapping.blocks)
        self._block_scales = [None if unit == "V" else scale_of("block_v", unit) for unit in units]
        joined = mapping.long is not None and mapping.long.resistance_mohm
        self._resistances = tuple(map(resistance_of, mapping.blocks)) if joined else mapping.resistances
        self._comma = mapping.decimal == ","
        self._missing = frozenset(mapping.missing)
        self._folds: dict[int, int] = {}
        self.settled: list[RowFault] = []
        self._loaded_at: dict[str, datetime] = {}
        self._midnights, self._clock_before = 0, timedelta()

    def settle_hours(self, rows: Iterable[Row]) -> None:
        """Tell by the order of a file's rows which hour is meant where the clock showed one twice.

        Only where the clock falls back once among a pack's rows of that hour does their order tell. How it was read is
        kept in `settled`, to be said.
        """
        time = self.mapping.time
        heading = self.mapping.columns.get("time")
        if heading is None or not time.zone or time.format in FORMATS_WITHOUT_ZONE or time.twice != "order":
            return
        runs: dict[tuple[str, date], list[tuple[int, datetime]]] = {}
        for number, fields in rows:
            try:
                found = time.written(self._time_text(fields, fields.get(heading)))
            except (TypeError, ValueError):
                continue
            if time.shown_twice(found):
                pack = str(fields.get(self.mapping.columns.get("pack_id", ""), ""))
                runs.setdefault((pack, found.date()), []).append((number, found))
        for run in runs.values():
            back = [at for at in range(1, len(run)) if run[at][1] < run[at - 1][1]]
            if len(back) == 1:
                self._folds |= {number: int(at >= back[0]) for at, (number, _) in enumerate(run)}
                (last, _), (first, _) = run[back[0] - 1], run[back[0]]
                reason = (
                    f"The clock of {time.zone} showed this hour twice. By their order the rows as far as row {last} "
                    f"are taken for the first time, those from row {first} on for the second."
                )
                self.settled.append(self.fault(first, heading, reason, "If not, set time.twice to first or second."))

    def record(self, number: int, fields: Mapping[str, Any]) -> BaseModel | list[RowFault]:
        """Return the record of a row, or everything that is wrong with it."""
        values: dict[str, Any] = {}
        faults = []
        if "" in fields:
            return [self.fault(number, "", f"It has {fields['']}.", "Quote fields that hold the delimiter.")]
        mapping = self.mapping
        for column, heading in mapping.columns.items():
            try:
                given = fields.get(heading)
                if column == "time" and mapping.time.clock:
                    given = self._time_text(fields, given)
                fold, days = self._folds.get(number), self._days_gone(given) if column == "time" else 0
                values[column] = self._value(column, given, fold, days)
            except ValueError as error:
                faults.append(self._misread(number, heading, fields, error))
        for column, text in mapping.fixed.items():
            values[column] = self._value(column, text)
        # A pack with fewer blocks than the table has columns leaves the last ones empty.
        own = self.blocks_of(str(values.get("pack_id"))) if mapping.blocks else None
        if mapping.blocks:
            units = zip(mapping.blocks, self._block_scales, strict=True)
            values["block_v"] = self._of_blocks(number, fields, "block_v", units, own, faults)
        if self._resistances:
            ohms = ((heading, self._scales.get("resistance_mohm")) for heading in self._resistances)
            told = self._of_blocks(number, fields, "resistance_mohm", ohms, own, faults)
            values["resistance_mohm"] = told if any(one is not None for one in told) else None
        if faults:
            return faults
        if mapping.charge_current:
            try:
                self._both_currents(values, fields)
            except ValueError as error:
                return [self._misread(number, mapping.charge_current, fields, error)]
        try:
            self._settle(values)
        except ValueError as error:
            return [self.fault(number, self.heading("time"), f"{error}.", "Sort the rows by time.")]
        return self.checked(number, values)

    def _of_blocks(
        self,
        number: int,
        fields: Mapping[str, Any],
        column: str,
        headings: Iterable[tuple[str, Scale | None]],
        own: int | None,
        faults: list[RowFault],
    ) -> list[Any]:
        """Read what a row holds for each block, those of modules added up; note what cannot be read."""
        found: list[Any] = []
        for heading, scale in headings:
            try:
                found.append(self._number(fields.get(heading), scale, column))
            except ValueError as error:
                found.append(None)
                faults.append(self._misread(number, heading, fields, error))
        if self.mapping.modules_per_block > 1:
            found = _summed(found, self.mapping.modules_per_block)
        return found[:own] if own and not any(one is not None for one in found[own:]) else found

    def checked(self, number: int, values: dict[str, Any]) -> BaseModel | list[RowFault]:
        """Check the values of a record."""
        if self.mapping.table == "packs":
            values["id"] = values.pop("pack_id", None)
        try:
            return self.new.model_validate(values)
        except ValidationError as error:
            return [self.fault(number, self.heading(p.where), p.what, p.mend) for p in problems_from(error)]

    def fault(self, number: int, column: str, reason: str, mend: str) -> RowFault:
        """Return a fault of this file."""
        return RowFault(self.file, number, column, reason, mend)

    def _misread(self, number: int, heading: str, fields: Mapping[str, Any], error: ValueError) -> RowFault:
        mend = (
            "Write the offset behind it, as +01:00, or import the file with a mapping that names the zone."
            if isinstance(error, NoOffset)
            else "Correct the field."
        )
        return self.fault(number, heading, f"{fields.get(heading)!r} cannot be read: {error}.", mend)

    def heading(self, where: str) -> str:
        """Return what the file calls a field of ours."""
        if block := _BLOCK.match(where):
            headings = self.mapping.blocks if block[1] == "block_v" else self.mapping.resistances
            index = int(block[2]) * self.mapping.modules_per_block
            return headings[index] if index < len(headings) else block[1]
        name = "pack_id" if where == "id" else re.split(r"[.\[]", where)[0]
        return "" if name == "input" else self.mapping.columns.get(name, name)

    def _time_text(self, fields: Mapping[str, Any], given: Any) -> str:
        clock = self.mapping.time.clock
        if not clock:
            return str(given).strip()
        day = given.isoformat() if isinstance(given, date) else str(given or "").strip()
        # A spreadsheet writes midnight beside a day that stands alone.
        day = day.removesuffix(" 00:00:00.000").removesuffix("T00:00:00")
        return f"{day} {str(fields.get(clock) or '').strip()}".strip()

    def _days_gone(self, given: Any) -> int:
        """Count how often a clock without a day has passed midnight: it has where it falls back by half a day."""
        if self.mapping.time.format != "clock":
            return 0
        shown = time_of_day(str(given))
        seconds = timedelta(hours=shown.hour, minutes=shown.minute, seconds=shown.second)
        if self._clock_before - seconds > HALF_A_DAY:
            self._midnights += 1
        self._clock_before = seconds
        return self._midnights

    def _value(self, column: str, given: Any, fold: int | None = None, days: int = 0) -> Any:
        if isinstance(given, str):
            given = given.strip()
            given = None if not given or given in self._missing else given
        if given is None or (isinstance(given, float) and math.isnan(given)):
            return None
        if column == "time":
            return (
                given.astimezone(UTC)
                if isinstance(given, datetime) and given.tzinfo
                else self.mapping.time.moment(str(given), fold, days)
            )
        if column == "blocks":
            return blocks_written(str(given))
        if column in LIST_COLUMNS:
            found = list_of(str(given))
            if isinstance(found, str):
                raise ValueError("it is no list of numbers")
            return found
        if column == "state":
            return self.mapping.state.words.get(str(given), given)
        if column == "code_state":
            return self.mapping.code.words.get(str(given), given)
        if column in _TEXT:
            return str(given)
        return self._number(given, self._scales.get(column), column)

    def _number(self, given: Any, scale: Scale | None, column: str) -> float | None:
        # Called for every block of every row: nothing here that need not be.
        if given is None or given == "":
            return None
        if isinstance(given, str):
            given = given.strip()
            if not given or given in self._missing:
                return None
            if self.mapping.thousands:
                given = _ungrouped(given, self.mapping.thousands)
            if self._comma:
                given = given.replace(",", ".")
            number, unit = number_written(given, column)
            scale = unit or scale
        elif math.isnan(number := float(given)):
            return None
        return number if scale is None else number * scale[0] + scale[1]

    def _both_currents(self, values: dict[str, Any], fields: Mapping[str, Any]) -> None:
        """Make one current of that out of the pack and that into it."""
        out, into = values.get("current_a"), fields.get(self.mapping.charge_current)
        into = self._number(into, self._scales.get("current_a"), "current_a")
        if out is not None and into is not None and out * into != 0:
            raise ValueError("the pack is charged and discharged at once")
        if out is not None or into is not None:
            values["current_a"] = abs(out or 0.0) - abs(into or 0.0)

    def _settle(self, values: dict[str, Any]) -> None:
        """Give the current our sign, and tell the state from it where the file does not."""
        if values.get("code") in self.mapping.code.words:
            values["code_state"], values["code"] = self.mapping.code.words[values["code"]], None
        elif values.get("code") is None and "code_state" in self.mapping.fixed:
            values["code_state"] = None  # it tells of the rows that name a code
        amps = values.get("current_a")
        if amps is not None and self.mapping.discharge == "negative":
            values["current_a"] = amps = -amps
        rest = self.mapping.state.from_current_a
        if rest is not None and values.get("state") is None and amps is not None:
            at, pack = values.get("time"), str(values.get("pack_id"))
            if abs(amps) >= rest and at is not None:
                self._loaded_at[pack] = at
            loaded = self._loaded_at.get(pack)
            if loaded is not None and at is not None and abs(amps) < rest:
                back = (loaded - at).total_seconds()
                if 0 < back < self.mapping.state.rest_s:
                    raise ValueError("it lies before rows above it, so it cannot be told whether the pack had rested")
                loaded = None if back > 0 else loaded  # another visit
            quiet = loaded is None or at is None or (at - loaded).total_seconds() >= self.mapping.state.rest_s
            resting = abs(amps) < rest and quiet
            values["state"] = "rest" if resting else ("discharge" if amps >= 0 else "charge")


def _summed(volts: list[Any], parts: int) -> list[Any]:
    """Add the voltages of modules to those of blocks; a block with a module that was not read was not read."""
    blocks = [volts[at : at + parts] for at in range(0, len(volts), parts)]
    return [None if None in block else sum(block) for block in blocks]


def _ungrouped(text: str, mark: str) -> str:
    """Take the thousands marks out of a number; one that stands elsewhere than between thousands is a fault."""
    marks = " \u00a0\u202f" if mark == " " else mark
    if not any(sign in text for sign in marks):
        return text
    whole = re.fullmatch(rf"[+-]?\d{{1,3}}(?:[{re.escape(marks)}]\d{{3}})+(?:\D.*)?", text)
    if whole is None:
        raise ValueError("its thousands marks do not stand between thousands")
    return re.sub(f"[{re.escape(marks)}]", "", text)
