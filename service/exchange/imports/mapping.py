"""The mapping: which column of somebody's file is what, in which unit, in which order, at which time of which zone."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Annotated, Final, Literal, Self, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from models.base.errors import BadInput, problems_from, wrong
from models.packs.tables import block_column
from service.exchange.imports.units import scale_of
from training.files.tables import COLUMNS, require_columns

TableName = Literal["packs", "readings", "topups", "usage", "outcomes"]
DOCUMENTED: Final = cast("dict[TableName, tuple[str, ...]]", COLUMNS)
FORMATS_WITHOUT_ZONE: Final = ("unix-s", "unix-ms")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class TimeReading(_Part):
    """How times are written.

    Attributes
    ----------
    format : str
        ``iso``, ``unix-s``, ``unix-ms``, or a pattern of ``strptime``.
    zone : str
        Name in the IANA time zone database, as ``Atlantic/Azores``, for times without an offset of their own.
    """

    format: str = "iso"
    zone: str = ""

    @model_validator(mode="after")
    def _known_zone(self) -> Self:
        if self.zone:
            try:
                ZoneInfo(self.zone)
            except (ZoneInfoNotFoundError, ValueError):
                raise wrong(
                    f"The time zone {self.zone!r} is not known.", "Use a name as Atlantic/Azores, or UTC."
                ) from None
        return self

    @cached_property
    def _zone(self) -> ZoneInfo | None:
        return ZoneInfo(self.zone) if self.zone else None

    def moment(self, text: str) -> datetime:
        """Read a time.

        Raises
        ------
        ValueError
            With a sentence on what is wrong.
        """
        if self.format in FORMATS_WITHOUT_ZONE:
            return datetime.fromtimestamp(float(text) / (1000 if self.format == "unix-ms" else 1), UTC)
        found = datetime.fromisoformat(text) if self.format == "iso" else datetime.strptime(text, self.format)  # noqa: DTZ007
        if found.tzinfo is not None:
            return found
        if self._zone is None:
            raise ValueError("the time has no offset, and the mapping names no zone")
        local = found.replace(tzinfo=self._zone)
        later = local.replace(fold=1)
        if local.utcoffset() == later.utcoffset():
            return local
        # Around a change of the clock an hour is skipped or comes twice.
        skipped = local.astimezone(UTC).astimezone(self._zone).replace(tzinfo=None) != found
        raise ValueError(f"the clock of {self.zone} {'skipped this hour' if skipped else 'showed this hour twice'}")


class StateReading(_Part):
    """How the operating state is told.

    Attributes
    ----------
    words : dict of str to str
        What the file writes, and what it means.
    from_current_a : float, optional
        Without a column for it: below this current, in A, either way, the pack rests.
    """

    words: dict[str, Literal["rest", "discharge", "charge"]] = Field(default_factory=dict)
    from_current_a: Annotated[float, Field(gt=0, le=10)] | None = None


class FileMapping(_Part):
    """What the columns of a file are.

    Attributes
    ----------
    table : str
        Which documented table the rows belong to.
    delimiter, decimal : str
        Of a CSV file.
    columns : dict of str to str
        Our column and the heading in the file.
    blocks : tuple of str
        Headings of the block voltages, in the pack's own order.
    units : dict of str to str
        Our column and the unit in the file, where it is not ours; ``block_v`` stands for all blocks.
    fixed : dict of str to str
        Our column and the value it has in every row.
    discharge : {"positive", "negative"}
        Sign of the discharge current in the file.
    time : TimeReading
    state : StateReading
    """

    table: TableName = "readings"
    delimiter: Literal[",", ";", "\t", "|"] = ","
    decimal: Literal[".", ","] = "."
    columns: dict[str, str] = Field(default_factory=dict)
    blocks: tuple[str, ...] = ()
    units: dict[str, str] = Field(default_factory=dict)
    fixed: dict[str, str] = Field(default_factory=dict)
    discharge: Literal["positive", "negative"] = "positive"
    time: TimeReading = TimeReading()
    state: StateReading = StateReading()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        known = DOCUMENTED[self.table]
        for name in (*self.columns, *self.fixed):
            if name not in known:
                raise wrong(f"There is no column {name} in {self.table}.", f"Name some of {', '.join(known)}.")
        if self.table == "readings" and len(self.blocks) < 2:
            raise wrong("blocks names fewer than two columns.", "List the headings of the block voltages in order.")
        needed = {"packs": ("pack_id", "family"), "topups": ("pack_id", "time", "blocks")}.get(
            self.table, ("pack_id", "time")
        )
        for name in needed:
            if name not in self.columns and name not in self.fixed:
                raise wrong(f"Nothing says what {name} is.", "Add it to columns, or to fixed if it is always the same.")
        if (
            self.table == "readings"
            and not {"state"} & {*self.columns, *self.fixed}
            and self.state.from_current_a is None
        ):
            raise wrong(
                "Nothing says what state the pack is in.", "Name its column, fix it, or set state.from_current_a."
            )
        for column, unit in self.units.items():
            try:
                scale_of(column, unit)
            except BadInput as error:
                raise wrong(error.problems[0].what, error.problems[0].mend) from error
        return self


def read_mapping(path: Path) -> FileMapping:
    """Read a mapping from a TOML file.

    Raises
    ------
    BadInput
        It is no TOML, or makes no sense.
    """
    try:
        content = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadInput.one(
            path.name, f"It is not TOML in UTF-8: {error}.", "Start from a guess: `tideover guess FILE`."
        ) from None
    return mapping_of(content, path.name)


def mapping_of(content: object, where: str) -> FileMapping:
    """Check the content of a mapping.

    Raises
    ------
    BadInput
    """
    try:
        return FileMapping.model_validate(content)
    except ValidationError as error:
        raise BadInput(problems_from(error, (where,))) from error


def documented_mapping(table: TableName, headings: list[str]) -> FileMapping:
    """Return the mapping of a documented table: every column is called what it is.

    Raises
    ------
    BadInput
        A column is missing or unknown.
    """
    where = f"{table} row 1"
    require_columns(table, headings, where)
    known = DOCUMENTED[table]
    blocks = [block_column(b) for b in range(1, 1 + sum(heading not in known for heading in headings))]
    return mapping_of({"table": table, "columns": {h: h for h in headings if h in known}, "blocks": blocks}, where)
