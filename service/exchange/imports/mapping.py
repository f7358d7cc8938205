"""The mapping: which column of somebody's file is what, in which unit, in which order, at which time of which zone."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Annotated, Final, Literal, Self, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from models.base.errors import BadInput, Problem, problems_from, wrong
from models.packs.history import CodeState
from models.packs.tables import block_column
from service.exchange.imports.files import AS_DOCUMENTED, FileShape
from service.exchange.imports.times import DAY_ZERO, elapsed, time_of_day
from training.files.tables import COLUMNS, require_columns
from training.files.units import scale_of
from training.files.written import moment_written

TableName = Literal["packs", "readings", "topups", "usage", "outcomes"]
DOCUMENTED: Final = cast("dict[TableName, tuple[str, ...]]", COLUMNS)
FORMATS_WITHOUT_ZONE: Final = ("unix-s", "unix-ms")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class NoOffset(ValueError):
    """A time is written without an offset, and nothing says where its clock stands."""


class TimeReading(_Part):
    """How times are written.

    Attributes
    ----------
    format : str
        ``iso``, ``unix-s``, ``unix-ms``, ``elapsed-s`` for seconds or hours:minutes:seconds since `start`,
        ``clock`` for a time of day from that of `start` on, ``days-1900`` as spreadsheets count days, or a pattern of
        ``strptime``.
    zone : str
        Name in the IANA time zone database, as ``Atlantic/Azores``, for times without an offset of their own.
    clock : str
        Heading of the time of day, where it stands in a column beside that of the date.
    start : str
        When the log began, as 2026-03-02T08:30:00, for ``elapsed-s``; in `zone` unless it has an offset. For ``clock``
        its first day.
    twice : {"order", "first", "second"}
        Which of two is meant where the clock of the zone showed an hour twice: told by the order of the rows, where it
        falls back among them, or always the first or the second.
    """

    format: str = "iso"
    zone: str = ""
    clock: str = ""
    start: str = ""
    twice: Literal["order", "first", "second"] = "order"

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

    def moment(self, text: str, fold: int | None = None, days: int = 0) -> datetime:
        """Read a time, and return it in UTC.

        Parameters
        ----------
        fold : {0, 1}, optional
            Which of two is meant where the clock showed the hour twice, as the order of the rows tells it.
        days : int
            How often a clock without a day has passed midnight since the log began.

        Raises
        ------
        ValueError
            With a sentence on what is wrong.
        """
        if self.format in FORMATS_WITHOUT_ZONE:
            seconds = float(text.replace(",", ".")) / (1000 if self.format == "unix-ms" else 1)
            return datetime.fromtimestamp(seconds, UTC)
        found = self.written(text) + timedelta(days=days)
        if found.tzinfo is not None:
            return found.astimezone(UTC)
        if self._zone is None:
            raise NoOffset("the time has no offset from UTC, and no zone is named")
        if self.format == "elapsed-s":
            return self._placed(datetime.fromisoformat(self.start), fold) + elapsed(text)
        return self._placed(found, fold)

    def written(self, text: str) -> datetime:
        """Return a time as it is written; without an offset, unless it has one."""
        if self.format == "elapsed-s":
            return datetime.fromisoformat(self.start) + elapsed(text)
        if self.format == "clock":
            return datetime.combine(datetime.fromisoformat(self.start), time_of_day(text))
        if self.format == "days-1900":
            # Rounded: a day's fraction in binary is off by microseconds.
            return DAY_ZERO + timedelta(seconds=round(float(text.replace(",", ".")) * 86_400, 1))
        if self.format == "iso":
            return moment_written(text)
        try:
            return datetime.strptime(text, self.format)  # noqa: DTZ007
        except ValueError:
            raise ValueError(f"it is not written as {self.format}, or there is no such day or hour") from None

    def shown_twice(self, found: datetime) -> bool:
        """Tell whether the clock of the zone showed this time twice."""
        if self._zone is None or found.tzinfo is not None or self.format == "elapsed-s":
            return False
        local = found.replace(tzinfo=self._zone)
        # Where an hour is skipped the later offset is the larger one, where one comes twice the smaller.
        return _offset(local.replace(fold=1)) < _offset(local)

    def _placed(self, found: datetime, fold: int | None) -> datetime:
        local = found.replace(tzinfo=self._zone)
        if self.shown_twice(found):
            if self.twice != "order":
                fold = int(self.twice == "second")
            if fold is None:
                raise ValueError(
                    f"the clock of {self.zone} showed this hour twice, and the rows do not tell which is meant: set "
                    "time.twice to first or second"
                )
            return local.replace(fold=fold).astimezone(UTC)
        if local.astimezone(UTC).astimezone(self._zone).replace(tzinfo=None) != found:
            raise ValueError(f"the clock of {self.zone} skipped this hour")
        return local.astimezone(UTC)


def _offset(moment: datetime) -> timedelta:
    return moment.utcoffset() or timedelta()


class StateReading(_Part):
    """How the operating state is told.

    Attributes
    ----------
    words : dict of str to str
        What the file writes, and what it means.
    from_current_a : float, optional
        Without a column for it: below this current, in A, either way, the pack rests.
    rest_s : float
        It rests only once the current has stayed below for so many seconds: while driving, current that passes through
        zero is no rest.
    """

    words: dict[str, Literal["rest", "discharge", "charge"]] = Field(default_factory=dict)
    from_current_a: Annotated[float, Field(gt=0, le=10)] | None = None
    rest_s: Annotated[float, Field(ge=0, le=86_400)] = 0


class CodeReading(_Part):
    """How a trouble code is told.

    Attributes
    ----------
    words : dict of str to str
        What the file writes of how a code is stored, or instead of a code, and what it means.
    """

    words: dict[str, CodeState] = Field(default_factory=dict)


class LongForm(_Part):
    """A file with one row for each block.

    Attributes
    ----------
    block, block_v : str
        Headings of the block's number, or name, and of its voltage.
    resistance_mohm : str
        Heading of its resistance; empty if there is none.
    """

    block: str
    block_v: str
    resistance_mohm: str = ""


class FileMapping(_Part):
    """What the columns of a file are.

    Attributes
    ----------
    table : str
        Which documented table the rows belong to.
    visits : {"all", "summary"}
        Every reading is stored, or of a log that runs on, in each state, the one that all of them tell
        (`models.packs.drive_log`).
    encoding, delimiter, heading_row, skip_rows, comment, sheet, over_row
        How the rows lie in the file: see `FileShape`.
    newest_first : bool
        The rows run backwards in time.
    decimal, thousands : str
        How numbers are written.
    missing : tuple of str
        What is written where nothing was measured, as ``---``; an empty field always means that.
    columns : dict of str to str
        Our column and the heading in the file.
    blocks : tuple of str
        Headings of the block voltages, in the pack's own order; in the long form what stands in its column of blocks.
    block_units : tuple of str
        Unit of each of `blocks`, where they are not all in the same.
    resistances : tuple of str
        Headings of the resistances, one for each of `blocks`, in the same order.
    modules_per_block : int
        `blocks` names modules, of which so many in a row make a block: their voltages are added, and their resistances.
    long : LongForm, optional
        The file has one row for each block.
    charge_current : str
        Heading of the current into the pack, where it stands in a column beside that out of it, both without a sign.
    unused : tuple of str, optional
        Headings that no record takes. If given, each heading of the file must be used or named here.
    unanswered : dict of str to str
        What a guess could not tell. Nothing is imported before each is answered and its line taken out.
    units : dict of str to str
        Our column and the unit in the file, where it is not ours; ``block_v`` stands for all blocks.
    fixed : dict of str to str
        Our column and the value it has in every row.
    discharge : {"positive", "negative"}
        Sign of the discharge current in the file.
    """

    table: TableName = "readings"
    visits: Literal["all", "summary"] = "all"
    encoding: str = AS_DOCUMENTED.encoding
    delimiter: Literal[",", ";", "\t", "|"] = ","
    heading_row: Annotated[int, Field(ge=1)] = 1
    skip_rows: Annotated[int, Field(ge=0)] = 0
    comment: str = ""
    sheet: str = ""
    over_row: Annotated[int, Field(ge=0)] = 0
    newest_first: bool = False
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    missing: tuple[str, ...] = ()
    columns: dict[str, str] = Field(default_factory=dict)
    blocks: tuple[str, ...] = ()
    block_units: tuple[str, ...] = ()
    resistances: tuple[str, ...] = ()
    modules_per_block: Annotated[int, Field(ge=1, le=20)] = 1
    long: LongForm | None = None
    charge_current: str = ""
    unused: tuple[str, ...] | None = None
    unanswered: dict[str, str] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    fixed: dict[str, str] = Field(default_factory=dict)
    discharge: Literal["positive", "negative"] = "positive"
    time: TimeReading = TimeReading()
    state: StateReading = StateReading()
    code: CodeReading = CodeReading()

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
        if self.time.format in ("elapsed-s", "clock") and not self.time.start:
            raise wrong("Nothing says when the log began.", "Set time.start, as 2026-03-02T08:30:00.")
        if self.block_units and len(self.block_units) != len(self.blocks):
            raise wrong(
                f"block_units names {len(self.block_units)} units for {len(self.blocks)} columns.", "Name one for each."
            )
        if self.resistances and len(self.resistances) != len(self.blocks):
            raise wrong(
                f"resistances names {len(self.resistances)} columns, blocks {len(self.blocks)}.", "Name one for each."
            )
        if len(self.blocks) % self.modules_per_block:
            raise wrong(
                f"{len(self.blocks)} modules do not make blocks of {self.modules_per_block}.",
                "Correct blocks or modules_per_block.",
            )
        for column, unit in (*self.units.items(), *(("block_v", unit) for unit in self.block_units)):
            try:
                scale_of(column, unit)
            except BadInput as error:
                raise wrong(error.problems[0].what, error.problems[0].mend) from error
        return self

    @property
    def shape(self) -> FileShape:
        """How the rows lie in the file."""
        return FileShape(
            self.encoding, self.delimiter, self.heading_row, self.skip_rows, self.comment, self.sheet, self.over_row
        )

    @property
    def headings(self) -> tuple[str, ...]:
        """Headings of the file from which something is taken."""
        long = self.long
        told = (*self.blocks, *self.resistances) if long is None else (long.block, long.block_v, long.resistance_mohm)
        return tuple(filter(None, (*self.columns.values(), self.charge_current, self.time.clock, *told)))


def read_mapping(path: Path, fixed: Mapping[str, str] | None = None) -> FileMapping:
    """Read a mapping from a TOML file.

    Parameters
    ----------
    fixed : mapping of str to str, optional
        Said for this file besides or instead of what the mapping fixes, so that one serves all files of a logger.

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
    if fixed:
        content["fixed"] = {**content.get("fixed", {}), **fixed}
        asked = content.get("unanswered", {})
        for name in fixed:
            if heading := content.get("columns", {}).get(name):
                what = f"The column {heading!r} says it in each row."
                raise BadInput.one(f"{path.name}: {name}", what, "Leave it out here, or take the column's line out.")
        content["unanswered"] = {key: text for key, text in asked.items() if key.removeprefix("fixed.") not in fixed}
    return mapping_of(content, path.name)


def mapping_of(content: object, where: str) -> FileMapping:
    """Check the content of a mapping.

    Raises
    ------
    BadInput
    """
    asked = content.get("unanswered") if isinstance(content, dict) else None
    if isinstance(asked, dict) and asked:
        mend = "Set it in the mapping, and take this line out of unanswered."
        raise BadInput(Problem(f"{where}: {name}", str(question), mend) for name, question in asked.items())
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
