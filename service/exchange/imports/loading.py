"""Importing: every row checked, every fault listed, and then all of it stored or nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel
from sqlalchemy import Table, delete, func, insert, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from models.packs.drive_log import LONGEST_GAP, lowest_block, summarised
from models.packs.family import PackFamily
from models.packs.history import BlockReading, TopUp
from service.exchange.drive_logs.packing import logs_of
from service.exchange.exports.tables import EXPORTS
from service.exchange.imports.as_exported import EXPORTED, ExportedTables
from service.exchange.imports.files import BATCH_ROWS, ENDINGS, RECORDS, Row, headings_of, histories_of, rows_of
from service.exchange.imports.limits import MOST_BESIDE, MOST_TURNED
from service.exchange.imports.long_form import widened
from service.exchange.imports.mapping import DOCUMENTED, FileMapping, TableName, documented_mapping
from service.exchange.imports.packed_files import unpacked_once
from service.exchange.imports.rows import RowFault, RowReader
from service.records.ahead import not_yet
from service.records.alike import alike, known_as_heard
from service.records.out_of_turn import before_its_readings
from service.records.sense import Mark, fit_problems, of_one_cell, order_faults, unknown_family
from service.records.slips import doubts_of
from service.records.stopped import mind_facts
from service.records.subject import FactKind, Subject
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import Writer
from service.store.opening import Store
from service.store.schema import AuditEntry, Base, EarlierVersion, Outcome, Pack, Reading, Usage
from service.store.schema import TopUp as TopUpRow

TABLES: Final[Mapping[TableName, type[Base]]] = {
    "packs": Pack,
    "readings": Reading,
    "topups": TopUpRow,
    "usage": Usage,
    "outcomes": Outcome,
}
_OTHER_BLOCK_LOW: Final = (
    "In the log as far as this row another block is low than in one before it in this file.",
    "Are both logs of the same pack? If not, part the file, and name the pack of each.",
)
_ADD_THE_PACK: Final = "Add the pack, or correct the identifier."
_NO_RESISTANCE: Final = (
    "The log as far as this row tells no resistances: the current is not noted, or stays nearly the same.",
    "They are left unknown. A drive with stops, or load switched on and off, would tell them.",
)
HAPPENED: Final = {subject.name: subject.happened for subject in SUBJECTS}
LISTED: Final = 1_000
"""Faults listed one by one; more are only counted."""

Progress = Callable[[int, str], None]
Checked = tuple[int, BaseModel | list[RowFault]]
"""A row's number, and its record or what is wrong with it."""


@dataclass
class ImportReport:
    """What came.

    Attributes
    ----------
    read, taken : dict of str to int
        Rows by table.
    faults : list of RowFault
        The first `LISTED` ones.
    doubts : list of RowFault
        What was taken but looks like a slip, the first `LISTED` ones.
    stored : bool
        Whether what was taken is in the store now.
    passed_over : dict of str to str
        Files of the folder that were not taken, and what to do about each.
    """

    read: dict[str, int] = field(default_factory=dict)
    taken: dict[str, int] = field(default_factory=dict)
    faults: list[RowFault] = field(default_factory=list)
    faults_in_all: int = 0
    doubts: list[RowFault] = field(default_factory=list)
    doubts_in_all: int = 0
    stored: bool = False
    logs_kept: int = 0
    passed_over: dict[str, str] = field(default_factory=dict)

    @property
    def missed(self) -> list[str]:
        """Files passed over that no export writes and that are no histories, which go in by themselves."""
        return [
            name for name in self.passed_over if Path(name).stem not in EXPORTS and Path(name).suffix not in RECORDS
        ]

    def add(self, fault: RowFault) -> None:
        """Take note of a fault."""
        self.faults_in_all += 1
        if len(self.faults) < LISTED:
            self.faults.append(fault)

    def doubt(self, doubt: RowFault) -> None:
        """Take note of something that looks like a slip."""
        self.doubts_in_all += 1
        if len(self.doubts) < LISTED:
            self.doubts.append(doubt)


class _TakeBack(Exception):
    pass


@unpacked_once()
def import_files(
    store: Store,
    path: Path,
    families: Mapping[str, PackFamily],
    writer: Writer,
    *,
    mapping: FileMapping | None = None,
    dry_run: bool = False,
    keep_good: bool = False,
    keep_logs: bool = False,
    progress: Progress | None = None,
    at_end: Callable[[Session, ImportReport], None] | None = None,
) -> ImportReport:
    """Import a folder of tables, documented ones and others as an export writes them, or one file.

    Everything happens in one transaction, so that rows are checked against what is stored and against each other
    alike, and a dry run finds exactly what the import would.

    Parameters
    ----------
    path : Path
        A folder with ``packs``, ``readings``, ``topups``, ``usage``, ``outcomes`` and those of `EXPORTED` as CSV or
        Parquet, some of them; or one CSV or Parquet file; or a JSON file of histories.
    mapping : FileMapping, optional
        For one file whose columns are not the documented ones.
    dry_run : bool
        Check everything, store nothing.
    keep_good : bool
        Store the good rows even if others are bad.
    keep_logs : bool
        Keep drive logs as they came in, beside the readings that tell of them.
    progress : callable, optional
        Told rows done and the file; may raise to stop, and then nothing is stored.
    at_end : callable, optional
        Called before an import that succeeds is stored, to store something else together with it.

    Raises
    ------
    BadInput
        A file cannot be read at all.
    """
    report = ImportReport()
    try:
        with store.writing() as session:
            run = _Run(session, families, writer, report, progress or (lambda _done, _file: None), keep_logs)
            files = _files(path)
            report.passed_over = {} if path.is_file() else _passed_over(path, files)
            for file in files:
                run.take_file(file, mapping)
            run.check_order()
            run.list_out_of_turn()
            if dry_run or (report.faults_in_all and not keep_good):
                raise _TakeBack
            mind_facts(session, run.touched, families)
            session.add(AuditEntry(at=writer.at, by=writer.by, action="import", record_id=path.name[:64]))
            report.stored = True
            if at_end is not None:
                at_end(session, report)
    except _TakeBack:
        report.stored = False
    return report


def _files(path: Path) -> list[Path]:
    if path.is_file():
        return [path]
    if not path.is_dir():
        raise BadInput.one(str(path), "There is no such file or folder.", "Check the path.")
    found = []
    for name in (*DOCUMENTED, *EXPORTED):
        here = [file for file in (path / f"{name}.csv", path / f"{name}.parquet") if file.is_file()]
        if len(here) > 1:
            raise BadInput.one(path.name, f"It holds both {name}.csv and {name}.parquet.", "Keep one of them.")
        found += here
    if not found:
        raise BadInput.one(path.name, "It holds none of the documented tables.", f"Name files {', '.join(DOCUMENTED)}.")
    return found


def _passed_over(folder: Path, taken: list[Path]) -> dict[str, str]:
    """Name the files of a folder that are not taken, each with what to do."""
    rest = sorted(file for file in folder.iterdir() if file.suffix in ENDINGS and file not in taken)
    return {
        file.name: "It tells what a store did. `tideover backup` and `tideover restore` carry that over."
        if file.stem in EXPORTS
        else "It is none of the tables. If it is a logger's file or one of histories, import it by itself."
        for file in rest
    }


class _Run:
    def __init__(
        self,
        session: Session,
        families: Mapping[str, PackFamily],
        writer: Writer,
        report: ImportReport,
        progress: Progress,
        keep_logs: bool,
    ) -> None:
        self.session = session
        self.families = families
        self.writer = writer
        self.report = report
        self.progress = progress
        self.keep_logs = keep_logs
        self.exported = ExportedTables(session, families, writer)
        self.done = 0
        self.mapped = False  # a logger's file, of which nobody said yes to its volts as a store does
        self.family_of: dict[str, str] = {row.id: row.family for row in session.execute(select(Pack.id, Pack.family))}
        self.touched: set[str] = set()
        self.lowest: dict[tuple[str, str], int] = {}  # by pack and state, the low block of its first log
        self.strangers: dict[tuple[str, str, str], tuple[int, int]] = {}  # place among the faults, and rows
        # Top-ups and outcomes are few beside readings; where they came from is kept, to name the row of a wrong order.
        self.marked: dict[tuple[str, FactKind, Any], RowFault] = {}

    def take_file(self, file: Path, mapping: FileMapping | None) -> None:
        self.mapped = mapping is not None
        if mapping is None and file.suffix in RECORDS:
            self._take_histories(file)
            return
        if mapping is None and file.stem in EXPORTED:
            self._take_exported(EXPORTED[file.stem], file)
            return
        if mapping is None:
            table = file.stem
            if table not in DOCUMENTED:
                raise BadInput.one(
                    file.name,
                    "Its name does not say which table it is.",
                    "Import it with a mapping: `tideover guess FILE`.",
                )
            mapping = documented_mapping(table, headings_of(file))
        else:
            _require_headings(file, mapping)
        reader = RowReader(mapping, file.name, self._blocks_of)
        reader.settle_hours(rows_in_time(file, mapping))
        for told in reader.settled:
            self.report.doubt(told)
        rows = rows_in_time(file, mapping, joined=True, again=partial(self._heading_again, file))
        records: Iterator[Checked] = ((number, reader.record(number, fields)) for number, fields in rows)
        if mapping.table == "readings" and mapping.visits == "summary":
            records = self._by_visit(reader, records)
        self._take(reader, records)

    def _heading_again(self, file: Path, number: int) -> None:
        reason = "It repeats the headings, and was left out."
        self.report.doubt(RowFault(file.name, number, "", reason, "Is what follows a log of the same pack?"))

    def _by_visit(self, reader: RowReader, records: Iterator[Checked]) -> Iterator[Checked]:
        """Let one reading a state stand for each log; what is no log, and every fault, goes through as it is.

        Logs of several packs may lie row by row beside one another.
        """
        logs: dict[str, list[tuple[int, Any]]] = {}
        for number, found in records:
            if not isinstance(found, BlockReading) or (faults := self._foreign(reader, number, found)):
                yield number, found if isinstance(found, list) else faults
                continue
            pack = str(getattr(found, "pack_id"))  # noqa: B009
            if pack in logs and not follows(logs[pack][-1][1], found):
                yield from self._told(reader, logs.pop(pack))
            elif pack not in logs and len(logs) == MOST_BESIDE:
                yield from self._told(reader, logs.pop(next(iter(logs))))
            logs.setdefault(pack, []).append((number, found))
        for log in logs.values():
            yield from self._told(reader, log)

    def _told(self, reader: RowReader, log: list[tuple[int, Any]]) -> Iterator[Checked]:
        told = summarised([record for _, record in log])
        self.report.read["readings"] = self.report.read.get("readings", 0) + len(log) - len(told)
        if self.keep_logs and len(told) < len(log):
            self._keep_log(reader, [record for _, record in log])
        for place, record in told:
            number = log[place][0]
            low = lowest_block(record.block_v)
            if low is not None and self.lowest.setdefault((log[0][1].pack_id, record.state), low) != low:
                self.report.doubt(reader.fault(number, reader.heading("pack_id"), *_OTHER_BLOCK_LOW))
            if record.log_rows is not None and record.state != "rest" and record.resistance_mohm is None:
                self.report.doubt(reader.fault(number, reader.heading("current_a"), *_NO_RESISTANCE))
            yield number, record

    def _keep_log(self, reader: RowReader, log: list[Any]) -> None:
        for row in logs_of(log[0].pack_id, log, reader.file, self.writer):
            self.session.add(row)
            self.session.flush()
            self.session.expunge(row)  # its megabytes need not stay here until the end
            self.report.logs_kept += 1

    def _take_exported(self, subject: Subject, file: Path) -> None:
        self.report.read[subject.name] = self.report.taken[subject.name] = 0
        for faults, doubts in self.exported.rows(subject, file):
            self.report.read[subject.name] += 1
            self.report.taken[subject.name] += not faults
            for fault in faults:
                self.report.add(fault)
            for doubt in doubts:
                self.report.doubt(doubt)
            self.done += 1
            if self.done % BATCH_ROWS == 0:
                self.progress(self.done, file.name)
        self.progress(self.done, file.name)

    def _take_histories(self, file: Path) -> None:
        for number, history in histories_of(file):
            if not isinstance(history, dict):
                self.report.add(
                    RowFault(file.name, number, "", "It is no history.", 'Write it as {"pack_id": ..., ...}.')
                )
                continue
            head = {name: history[name] for name in DOCUMENTED["packs"] if name in history}
            for table in DOCUMENTED:
                facts = [head] if table == "packs" else history.get(table) or []
                if not isinstance(facts, list) or not all(isinstance(fact, dict) for fact in facts):
                    self.report.add(
                        RowFault(
                            file.name, number, table, "It is no list of facts.", 'Write it as [{"time": ...}, ...].'
                        )
                    )
                    continue
                # What is fixed or mapped plays no part here: JSON names our own fields.
                plain = FileMapping.model_construct(table=table, columns={}, blocks=(), units={})
                reader = RowReader(plain, file.name, self._blocks_of)
                pack = {} if table == "packs" else {"pack_id": head.get("pack_id")}
                self._take(reader, ((number, reader.checked(number, {**fact, **pack})) for fact in facts))

    def _blocks_of(self, pack_id: str) -> int | None:
        family = self.families.get(self.family_of.get(pack_id, ""))
        return None if family is None else family.blocks

    def _take(self, reader: RowReader, rows: Iterator[tuple[int, BaseModel | list[RowFault]]]) -> None:
        table = reader.mapping.table
        while batch := list(islice(rows, BATCH_ROWS)):
            good: list[tuple[int, BaseModel]] = []
            for number, found in batch:
                faults = found if isinstance(found, list) else self._foreign(reader, number, found)
                for fault in faults:
                    self._note(fault)
                if not faults:
                    good.append((number, found))  # type: ignore[arg-type]
            self._store(reader, self._without_twins(reader, good))
            self.report.read[table] = self.report.read.get(table, 0) + len(batch)
            self.done += len(batch)
            self.progress(self.done, reader.file)

    def _note(self, fault: RowFault) -> None:
        """List a fault; of a pack that nobody knows once, with the number of its rows."""
        known = fault.file, fault.column, fault.reason
        if fault.mend != _ADD_THE_PACK or known not in self.strangers:
            self.strangers[known] = len(self.report.faults), 1
            self.report.add(fault)
            return
        place, rows = self.strangers[known]
        self.strangers[known] = place, rows + 1
        if place < len(self.report.faults):
            more = f"{fault.reason} {rows + 1} rows are of it, from this one on."
            self.report.faults[place] = replace(self.report.faults[place], reason=more)

    def _foreign(self, reader: RowReader, number: int, record: Any) -> list[RowFault]:
        """List what is wrong with a record beside its pack."""
        if reader.mapping.table == "packs":
            strange = unknown_family(record.family, self.families)
            return [reader.fault(number, reader.heading("family"), strange.what, strange.mend)] if strange else []
        name = self.family_of.get(record.pack_id)
        if name is None:
            reason = f"The pack {record.pack_id!r} is neither stored nor in this import."
            return [reader.fault(number, reader.heading("pack_id"), reason, _ADD_THE_PACK)]
        if ahead := not_yet({name: getattr(record, name) for name in HAPPENED[reader.mapping.table]}, self.writer.at):
            return [reader.fault(number, reader.heading(p.where), p.what, p.mend) for p in ahead]
        if not isinstance(record, BlockReading | TopUp):
            return []
        family = self.families.get(name)
        if family is None:
            reason = f"Its pack is of the family {name!r}, which is not known here."
            return [reader.fault(number, reader.heading("pack_id"), reason, "Put the family file back.")]
        wrong = fit_problems(family, record)
        if not wrong and self.mapped and isinstance(record, BlockReading):
            wrong = of_one_cell(record.block_v, family)
        return [reader.fault(number, reader.heading(p.where), p.what, p.mend) for p in wrong]

    def _without_twins(self, reader: RowReader, good: list[tuple[int, Any]]) -> list[tuple[int, Any]]:
        """Drop what is stored already, by an earlier row or before: earlier batches of this import are stored too."""
        packs = reader.mapping.table == "packs"
        keys: list[tuple[Any, ...]] = [(r.id,) if packs else (r.pack_id, r.time) for _, r in good]
        seen: set[tuple[Any, ...]] = set(self._stored(reader.mapping.table, keys)) if keys else set()
        kept = []
        for (number, record), key in zip(good, keys, strict=True):
            if key in seen:
                what = f"Pack {key[0]}" if packs else f"A row for {key[0]} at {key[1].isoformat()}"
                reason = f"{what} is there already, stored or in an earlier row."
                self.report.add(
                    reader.fault(number, reader.heading("id" if packs else "time"), reason, "Leave it out.")
                )
                continue
            seen.add(key)
            kept.append((number, record))
        return kept

    def _stored(self, name: TableName, keys: list[tuple[Any, ...]]) -> Iterable[tuple[Any, ...]]:
        if name == "packs":
            return ((pack_id,) for (pack_id,) in keys if pack_id in self.family_of)
        columns = TABLES[name].__table__.c
        times = [key[1] for key in keys]
        query = select(columns.pack_id, columns.time).where(
            columns.pack_id.in_({key[0] for key in keys}), columns.time.between(min(times), max(times))
        )
        return (tuple(row) for row in self.session.execute(query))

    def _store(self, reader: RowReader, rows: list[tuple[int, Any]]) -> None:
        table = reader.mapping.table
        self.report.taken[table] = self.report.taken.get(table, 0) + len(rows)
        if not rows:
            return
        if table == "packs":
            heard = known_as_heard(self.family_of)
            for number, record in rows:
                for doubt in alike(record.id, heard):
                    self.report.doubt(reader.fault(number, reader.heading(doubt.where), doubt.what, doubt.mend))
            self.family_of |= {record.id: record.family for _, record in rows}
        else:
            self._list_doubts(reader, rows)
        self.touched |= {record.id if table == "packs" else record.pack_id for _, record in rows}
        if table in ("topups", "outcomes"):
            for number, record in rows:
                origin = reader.fault(number, reader.heading("time"), "", "")
                self.marked[record.pack_id, table, record.time] = origin
        versions = self._first_versions([record.id for _, record in rows]) if table == "packs" else {}
        facts = {"version": 1, "recorded_at": self.writer.at, "recorded_by": self.writer.by}
        target = TABLES[table].__table__
        assert isinstance(target, Table)
        fields = tuple(type(rows[0][1]).model_fields)
        values = [{name: getattr(record, name) for name in fields} | facts for _, record in rows]
        for value in values:
            if value.get("id") in versions:
                value["version"] = versions[value["id"]]
        self.session.execute(insert(target), values)

    def _list_doubts(self, reader: RowReader, rows: list[tuple[int, Any]]) -> None:
        word = {"readings": "reading", "topups": "topup", "outcomes": "outcome"}.get(reader.mapping.table, "usage")
        for number, record in rows:
            family = self.families.get(self.family_of[record.pack_id])
            for doubt in doubts_of(word, vars(record), family, self.writer.at):
                self.report.doubt(reader.fault(number, reader.heading(doubt.where), doubt.what, doubt.mend))

    def _first_versions(self, names: list[str]) -> dict[str, int]:
        query = (
            select(EarlierVersion.record_id, (func.max(EarlierVersion.version) + 1).label("version"))
            .where(EarlierVersion.subject == "packs", EarlierVersion.record_id.in_(names))
            .group_by(EarlierVersion.record_id)
        )
        return {row.record_id: row.version for row in self.session.execute(query)}

    def check_order(self) -> None:
        """List, and take out again, top-ups and outcomes that cannot stand where they do."""
        for pack_id in sorted({pack_id for pack_id, _, _ in self.marked}):
            marks = self._marks(pack_id)
            mine = [m for m in marks if (pack_id, m.kind, m.time) in self.marked]
            before = {(f.mark.kind, f.mark.time) for f in order_faults([m for m in marks if m not in mine])}
            while new := [f for f in order_faults(marks) if (f.mark.kind, f.mark.time) not in before]:
                fault = new[0]
                earlier = [m for m in mine if m.time <= fault.mark.time]
                culprit = fault.mark if fault.mark in mine else (earlier[-1] if earlier else mine[0])
                origin = self.marked[pack_id, culprit.kind, culprit.time]
                self.report.add(RowFault(origin.file, origin.row, origin.column, fault.what, fault.mend))
                self.report.taken[culprit.kind] -= 1
                table = TABLES[culprit.kind]
                self.session.execute(delete(table).where(table.__table__.c.id == culprit.key))
                marks.remove(culprit)
                mine.remove(culprit)

    def list_out_of_turn(self) -> None:
        """List charges that lie before the readings that found their blocks; all rows are stored by now."""
        columns = TopUpRow.__table__.c
        fields = [columns.pack_id, columns.time, columns.blocks, columns.also_done]
        for pack_id in sorted({pack_id for pack_id, kind, _ in self.marked if kind == "topups"}):
            for charge in self.session.execute(select(*fields).where(columns.pack_id == pack_id)).all():
                if (origin := self.marked.get((pack_id, "topups", charge.time))) is None:
                    continue
                for doubt in before_its_readings(self.session, **charge._mapping):
                    self.report.doubt(RowFault(origin.file, origin.row, origin.column, doubt.what, doubt.mend))

    def _marks(self, pack_id: str) -> list[Mark]:
        marks = []
        kinds: tuple[FactKind, ...] = ("topups", "outcomes")
        for kind in kinds:
            columns = TABLES[kind].__table__.c
            what = [columns.kind] if kind == "outcomes" else []
            query = select(columns.id, columns.time, *what).where(columns.pack_id == pack_id)
            marks += [Mark(time, kind, number, *outcome) for number, time, *outcome in self.session.execute(query)]
        return sorted(marks, key=lambda m: (m.time, m.kind))


def follows(earlier: Any, later: Any) -> bool:
    """Tell whether a reading goes on a log of the same pack."""
    same = earlier.pack_id == later.pack_id and len(earlier.block_v) == len(later.block_v)
    return bool(same and timedelta() <= later.time - earlier.time <= LONGEST_GAP)


def rows_in_time(
    file: Path, mapping: FileMapping, *, joined: bool = False, again: Callable[[int], None] = lambda _number: None
) -> Iterator[Row]:
    """Return the rows of a file in order of time, as far as its mapping tells it.

    Parameters
    ----------
    joined : bool
        Where each block has a row of its own, the rows of a reading are joined.
    again : callable
        As of `rows_of`.

    Raises
    ------
    BadInput
        It cannot be read, or runs backwards and is too long to be turned.
    """
    rows = rows_of(file, mapping.shape, again)
    rows = _turned(rows, file) if mapping.newest_first else rows
    return widened(rows, mapping, mapping.long) if joined and mapping.long is not None else rows


def _turned(rows: Iterator[Row], file: Path) -> Iterator[Row]:
    held = list(islice(rows, MOST_TURNED + 1))
    if len(held) > MOST_TURNED:
        what = f"It runs backwards in time and has more than {MOST_TURNED} rows."
        raise BadInput.one(file.name, what, "Sort it by time and take newest_first out of the mapping, or part it.")
    return iter(held[::-1])


def _require_headings(file: Path, mapping: FileMapping) -> None:
    there = headings_of(file, mapping.shape)
    missing = [heading for heading in mapping.headings if heading not in there]
    if missing:
        raise BadInput.one(
            f"{file.name} row {mapping.heading_row}",
            f"There is no column {missing[0]!r}.",
            "Correct the mapping, or how it says that the rows lie in the file.",
        )
    strange = [h for h in there if h and h not in mapping.headings and h not in (mapping.unused or ())]
    if mapping.unused is not None and strange:
        raise BadInput.one(
            f"{file.name} row {mapping.heading_row}",
            f"The mapping says nothing of the column {strange[0]!r}.",
            "Use it, or name it in unused.",
        )
