"""From a row of a file to a checked record, or to what is wrong with it, in the file's own words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from models.base.errors import problems_from
from service.exchange.imports.mapping import FileMapping, TableName
from service.exchange.imports.units import Scale, scale_of
from service.records.subjects.outcomes import NewOutcome
from service.records.subjects.packs import NewPack
from service.records.subjects.readings import NewReading
from service.records.subjects.topups import NewTopUp
from service.records.subjects.usage import NewUsagePlan

NEW: Final[Mapping[TableName, type[BaseModel]]] = {
    "packs": NewPack,
    "readings": NewReading,
    "topups": NewTopUp,
    "usage": NewUsagePlan,
    "outcomes": NewOutcome,
}
_TEXT: Final = frozenset({"pack_id", "family", "state", "kind", "code", "blocks", "time"})
_BLOCK: Final = re.compile(r"^block_v\[(\d+)\]")


@dataclass(frozen=True)
class RowFault:
    """Why a row of a file was not taken.

    Attributes
    ----------
    file : str
    row : int
        As an editor shows it; the heading is row 1. In Parquet and JSON the first row or history is 1.
    column : str
        Heading in the file; empty if the row as a whole is meant.
    reason, mend : str
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
    mapping : FileMapping
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
        self._block_scale = self._scales.get("block_v")
        self._comma = mapping.decimal == ","

    def record(self, number: int, fields: Mapping[str, Any]) -> BaseModel | list[RowFault]:
        """Return the record of a row, or everything that is wrong with it."""
        values: dict[str, Any] = {}
        faults = []
        if "" in fields:
            return [self.fault(number, "", f"It has {fields['']}.", "Quote fields that hold the delimiter.")]
        mapping = self.mapping
        for column, heading in mapping.columns.items():
            try:
                values[column] = self._value(column, fields.get(heading))
            except ValueError as error:
                faults.append(self._misread(number, heading, fields, error))
        for column, text in mapping.fixed.items():
            values[column] = self._value(column, text)
        if mapping.blocks:
            volts: list[Any] = []
            for heading in mapping.blocks:
                try:
                    volts.append(self._number(fields.get(heading), self._block_scale))
                except ValueError as error:
                    volts.append(None)
                    faults.append(self._misread(number, heading, fields, error))
            # A pack with fewer blocks than the table has columns leaves the last ones empty.
            own = self.blocks_of(str(values.get("pack_id")))
            values["block_v"] = volts[:own] if own and not any(v is not None for v in volts[own:]) else volts
        if faults:
            return faults
        self._settle(values)
        return self.checked(number, values)

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
        return self.fault(number, heading, f"{fields.get(heading)!r} cannot be read: {error}.", "Correct the field.")

    def heading(self, where: str) -> str:
        """Return what the file calls a field of ours."""
        if block := _BLOCK.match(where):
            index = int(block[1])
            return self.mapping.blocks[index] if index < len(self.mapping.blocks) else "block_v"
        name = "pack_id" if where == "id" else re.split(r"[.\[]", where)[0]
        return "" if name == "input" else self.mapping.columns.get(name, name)

    def _value(self, column: str, given: Any) -> Any:
        if isinstance(given, str):
            given = given.strip() or None
        if given is None or (isinstance(given, float) and math.isnan(given)):
            return None
        if column == "time":
            return (
                given.astimezone(UTC)
                if isinstance(given, datetime) and given.tzinfo
                else self.mapping.time.moment(str(given))
            )
        if column == "blocks":
            return [int(part) for part in str(given).replace(",", " ").split()]
        if column == "state":
            return self.mapping.state.words.get(str(given), given)
        if column in _TEXT:
            return str(given)
        return self._number(given, self._scales.get(column))

    def _number(self, given: Any, scale: Scale | None) -> float | None:
        # Called for every block of every row: nothing here that need not be.
        if given is None or given == "":
            return None
        if isinstance(given, str):
            if self._comma:
                given = given.replace(",", ".")
            elif given.isspace():
                return None
        elif math.isnan(given):
            return None
        try:
            number = float(given)
        except ValueError:
            raise ValueError("it is not a number") from None
        return number if scale is None else number * scale[0] + scale[1]

    def _settle(self, values: dict[str, Any]) -> None:
        """Give the current our sign, and tell the state from it where the file does not."""
        amps = values.get("current_a")
        if amps is not None and self.mapping.discharge == "negative":
            values["current_a"] = amps = -amps
        rest = self.mapping.state.from_current_a
        if rest is not None and values.get("state") is None and amps is not None:
            values["state"] = "rest" if abs(amps) < rest else ("discharge" if amps > 0 else "charge")
