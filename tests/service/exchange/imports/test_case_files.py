"""No file of the table leads to a wrong record, and nearly all need nothing but confirmations."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from models.base.errors import BadInput
from service.exchange.imports.guess import confirmed, understand
from service.exchange.imports.loading import import_files
from service.exchange.imports.mapping import (
    CodeReading,
    FileMapping,
    LongForm,
    StateReading,
    TimeReading,
    read_mapping,
)
from service.exchange.imports.understanding import Understanding
from service.records.versions import Writer
from service.store.schema import Pack, Reading
from service.store.upgrading import open_store
from tests.service.exchange.imports.case_files import CASES, Case
from tests.service.exchange.imports.invented_log import AZORES, BEGAN, BLOCKS, FALLBACK, PACK, local
from tests.service.exchange.imports.written_files import insert, table, text
from training.files.families import load_families

FAMILIES = load_families(None)
WRITER = Writer("test", datetime(2026, 11, 14, tzinfo=UTC))
KNOWN = {"fixed.pack_id": PACK, "time.zone": AZORES}
"""Whoever imports a file knows whose it is and where its logger's clock stands."""


@pytest.fixture
def store(tmp_path, empty_store_file):
    home = tmp_path / "home"
    home.mkdir()
    shutil.copy(empty_store_file, home)
    store = open_store(home)
    with store.writing() as session:
        for name in (PACK, "MB-VAN-08"):
            session.add(Pack(id=name, family="gravel-14", recorded_at=WRITER.at, recorded_by="t"))
    yield store
    store.close()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_each_file_comes_in_as_it_was_told(store, tmp_path, case: Case):
    path = tmp_path / case.name
    case.write(path)
    asked = {question.key for question in understand(path, KNOWN, blocks_of_pack=case.blocks_of_pack).questions}
    assert set(case.asked) <= asked
    found = confirmed(path, {**KNOWN, **case.answers}, blocks_of_pack=case.blocks_of_pack)
    assert found.questions == []
    assert {column.heading for column in found.columns if column.meaning == "nothing"} >= set(case.unused)
    every_column_is_used_or_named_as_unused(found, case)
    (tmp_path / "mapping.toml").write_text(found.as_toml(), encoding="utf-8")
    report = import_files(store, path, FAMILIES, WRITER, mapping=read_mapping(tmp_path / "mapping.toml"))
    assert report.faults == []
    with store.reading() as session:
        rows = session.query(Reading).order_by(Reading.time, Reading.pack_id).all()
    assert len(rows) == len(case.told)
    for row, told in zip(rows, case.told, strict=True):
        assert (row.pack_id, row.time, row.state) == (told.pack_id, told.time, told.state)
        assert row.current_a == (None if told.current_a is None else pytest.approx(told.current_a, abs=0.006))
        assert row.temperature_c == (None if told.temperature_c is None else pytest.approx(told.temperature_c, abs=0.1))
        assert row.block_v == [None if v is None else pytest.approx(v, abs=0.0011) for v in told.block_v]
        assert (row.soc_pct, row.code, row.code_state) == (told.soc_pct, told.code, told.code_state)
        assert row.spread_v == (None if told.spread_v is None else pytest.approx(told.spread_v))
        assert row.resistance_mohm == (None if told.resistance_mohm is None else pytest.approx(told.resistance_mohm))


def every_column_is_used_or_named_as_unused(found: Understanding, case: Case) -> None:
    used = set(found.mapping(case.name).headings)
    blocks = {column.heading for column in found.columns if column.meaning.startswith("block ")}
    unused = set(found.content["unused"])
    assert {column.heading for column in found.columns} == (used - set(found.content["blocks"])) | blocks | unused
    for column in found.columns:
        assert bool(column.why_unused) == (column.meaning == "nothing") or f"column: {column.heading}" in case.asked


def test_the_table_is_long_and_most_of_it_needs_nothing_but_confirmations():
    assert len(CASES) >= 30
    assert sum(not case.answers for case in CASES) >= 26
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize("more", [0, 1])
def test_headings_that_come_again_are_left_out_and_listed(store, tmp_path, more):
    """A guess lost the clock over them, and 1 of 603 rows was stored."""
    rows = table()
    text([*rows[:3], rows[0], *rows[3:], *rows[:1] * more])(tmp_path / "log.csv")
    found = confirmed(tmp_path / "log.csv", KNOWN)
    plain_file = tmp_path / "plain.csv"
    text(rows)(plain_file)
    assert found.content == confirmed(plain_file, KNOWN).content
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=found.mapping("log.csv"))
    assert report.faults == []
    assert report.taken["readings"] == report.read["readings"] == len(rows) - 1
    again = [doubt.row for doubt in report.doubts if "repeats the headings" in doubt.reason]
    assert again == [4, len(rows) + 2][: 1 + more]


DEVIATIONS = np.array(
    [[12, 8, -3, 5, -172, 4, -9, 11, 3, 2, -4, 6, 9, -2], [15, 9, -1, 2, -190, 7, -8, 12, 1, 4, -6, 5, 8, -1]]
)
"""Of the blocks from their mean at two moments, mV. Invented."""


@pytest.mark.parametrize(
    ("heading", "scale", "offset"),
    [
        ("dev_{}_mv", 1, 0),  # they were taken for blocks of 0.01 V
        ("block_{}_mv", 1, 0),
        ("block_{}", 1, 0),
        ("block_{}_v", 1e-3, 0),
        ("delta_{}", 1, 200),  # from the lowest
    ],
)
def test_deviations_are_not_taken_for_volts(tmp_path, heading, scale, offset):
    head = ["time", "current", "avg_block_v", *(heading.format(b) for b in range(1, 15))]
    rows = [
        [f"2026-03-02T08:0{i}:00Z", "0", "13.012", *(f"{scale * (d + offset):g}" for d in row)]
        for i, row in enumerate(DEVIATIONS)
    ]
    text([head, *rows])(tmp_path / "log.csv")
    with pytest.raises(BadInput, match="How far blocks are off is not enough here"):
        understand(tmp_path / "log.csv", KNOWN)


def test_what_is_not_answered_is_not_imported(store, tmp_path):
    text(table())(tmp_path / "log.csv")
    found = understand(tmp_path / "log.csv")
    assert [question.text for question in found.questions] == ["Which pack is it?"]
    (tmp_path / "mapping.toml").write_text(found.as_toml(), encoding="utf-8")
    with pytest.raises(BadInput, match="Which pack is it"):
        read_mapping(tmp_path / "mapping.toml")


def test_the_manual_names_every_entry_and_its_example_is_sound(repository, tmp_path):
    manual = (repository / "data" / "synthetic" / "MAPPING.md").read_text(encoding="utf-8")
    for model in (FileMapping, TimeReading, StateReading, CodeReading, LongForm):
        for name in model.model_fields:
            assert f"`{name}`" in manual or f"`[{name}]`" in manual, name
    (tmp_path / "example.toml").write_text(manual.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    assert read_mapping(tmp_path / "example.toml").discharge == "negative"


ONE, TWO = "2026-03-02T08:00:00Z", "2026-03-02T08:01:00Z"


def small(*times: str, heading: str = "time", block: str = "V{}") -> list[list[str]]:
    head = [heading, *(block.format(b) for b in range(1, 5))]
    return [head, *([time, "13.1", "13.2", "13.0", "13.1"] for time in times)]


def extra(heading: str, *values: str) -> list[list[str]]:
    return insert(small(ONE, TWO), 1, heading, values.__getitem__)


def test_an_hour_that_came_twice_is_asked_about_where_the_rows_do_not_tell(store, tmp_path):
    """IANA time zone database: on 25 October 2026 the Azores showed the hour from 00:00 to 01:00 twice."""
    rows = table(FALLBACK[:5], time=lambda t: [local(t.time, "%Y-%m-%d %H:%M:%S")])
    text(rows)(tmp_path / "log.csv")
    mapping = confirmed(tmp_path / "log.csv", KNOWN).mapping("m")
    faults = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping).faults
    assert [fault.row for fault in faults] == [5, 6]
    assert "showed this hour twice" in faults[0].reason
    told = confirmed(tmp_path / "log.csv", {**KNOWN, "time.twice": "second"}).mapping("m")
    assert import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=told).stored
    with store.reading() as session:
        assert max(session.query(Reading.time).all())[0] == datetime(2026, 10, 25, 1, 10, tzinfo=UTC)


def test_an_hour_that_came_twice_and_is_told_by_the_order_of_the_rows_is_said(store, tmp_path):
    """IANA time zone database, Europe/Berlin: 02:20, 02:50, 02:10 of 25 October came in without a word."""
    rows = small("2026-10-25 02:20:00", "2026-10-25 02:50:00", "2026-10-25 02:10:00")
    rows = [
        [*row, *row[1:] * 2, *row[1:3]] if n else ["time", *(f"V{b}" for b in range(1, 15))]
        for n, row in enumerate(rows)
    ]
    text(rows)(tmp_path / "log.csv")
    mapping = confirmed(tmp_path / "log.csv", {**KNOWN, "time.zone": "Europe/Berlin", "fixed.state": "rest"}).mapping(
        "m"
    )
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping)
    assert report.stored
    (doubt,) = report.doubts
    assert doubt.row == 4
    assert "as far as row 3 are taken for the first time, those from row 4 on for the second." in doubt.reason
    with store.reading() as session:
        last = max(session.query(Reading.time).all())[0]
    assert last == datetime(2026, 10, 25, 1, 10, tzinfo=UTC)


def test_blocks_counted_from_0_are_told_and_confirmed(tmp_path):
    """The scanner's Block05 became block 6 without a word."""
    text(small(ONE, TWO, block="Block0{}"))(tmp_path / "one.csv")
    assert "blocks" not in [question.key for question in understand(tmp_path / "one.csv", KNOWN).questions]
    rows = small(ONE, TWO)
    rows[0][1:] = [f"Block0{b}" for b in range(4)]
    text(rows)(tmp_path / "zero.csv")
    found = understand(tmp_path / "zero.csv", KNOWN)
    (asked,) = [question for question in found.questions if question.key == "blocks"]
    assert asked.suggested == "yes"
    assert asked.text == (
        "Block00 to Block03 are counted from 0, blocks here from 1. So Block03 becomes block 4 in every sentence. "
        "Is that right?"
    )


def test_a_time_without_an_offset_in_a_documented_table_says_how_to_write_it(store, tmp_path):
    """It said that the mapping names no zone, though there is none, and to correct the field."""
    head = ["pack_id", "time", "state", *(f"block_{b}_v" for b in range(1, 15))]
    text([head, [PACK, "2026-03-02T08:00:00", "rest", *["13.0"] * 14]])(tmp_path / "readings.csv")
    (fault,) = import_files(store, tmp_path / "readings.csv", FAMILIES, WRITER).faults
    assert "mapping" not in fault.reason
    assert fault.mend.startswith("Write the offset behind it, as +01:00")


@pytest.mark.parametrize(
    ("rows", "key"),
    [
        (small("2026-03-02", "2026-03-03", heading="date"), "time.format"),
        (small("quarter past", "half past", heading="time"), "time.format"),
        (small("quarter past", "half past", heading="bell"), "which: time"),
        ([[*small()[0][:4], "V5"], *small(ONE)[1:]], "blocks"),
        (small(ONE, block="Module {}"), "modules_per_block"),
        (small(ONE, block="V{} [mV]"), "units.block_v"),
        (extra("Signal 7b", "0.5", "1.5"), "column: Signal 7b"),
        (extra("Mode", "P", "Q"), "state.words.P"),
        (insert(extra("Temp front", "20", "20"), 1, "Temp rear", ("21", "21").__getitem__), "which: temperature_c"),
        ([[*row, *(cell.replace("V", "U") for cell in row[1:])] for row in small(ONE)], "which: blocks"),
    ],
)
def test_what_is_doubtful_is_asked(tmp_path, rows, key):
    text(rows)(tmp_path / "log.csv")
    found = understand(tmp_path / "log.csv", KNOWN)
    assert key in {question.key for question in found.questions}
    with pytest.raises(BadInput):
        found.mapping("m")


def test_rows_out_of_order_are_named_where_rest_hangs_on_it(store, tmp_path):
    rows = table()
    rows[2:5] = [rows[4], rows[2], rows[3]]
    text(rows)(tmp_path / "log.csv")
    mapping = confirmed(tmp_path / "log.csv", KNOWN).mapping("m")
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping)
    assert not report.stored
    assert [fault.row for fault in report.faults] == [4]
    assert "cannot be told whether the pack had rested" in report.faults[0].reason


def test_how_far_blocks_are_off_is_not_taken_for_their_volts(tmp_path):
    text(table(volt=lambda v: f"{v - 13.2:.3f}", block=lambda b: f"Block {b} off [V]"))(tmp_path / "log.csv")
    with pytest.raises(BadInput, match="Nothing in it looks like block voltages"):
        understand(tmp_path / "log.csv", KNOWN)


@pytest.mark.parametrize(
    ("heading", "values", "unit", "suggested"),
    [
        ("IR{} (mOhm)", 21.5, "mOhm", None),
        ("R{} [Ω]", 0.0215, "Ohm", None),
        ("Resistance {}", 21.5, "mOhm", "mOhm"),
        ("Resistance {}", 0.0215, "Ohm", "Ohm"),
        ("IR{} (mOhm)", 0.0215, None, ""),
    ],
)
def test_resistances_and_their_unit(tmp_path, heading, values, unit, suggested):
    """One that a heading does not name, or that its values deny, is asked about."""
    rows = table()
    head = [heading.format(b) for b in range(1, BLOCKS + 1)]
    text([rows[0] + head, *(row + [str(values)] * BLOCKS for row in rows[1:])])(tmp_path / "log.csv")
    found = understand(tmp_path / "log.csv", KNOWN)
    assert found.content["resistances"] == head
    asked = {question.key: question.suggested for question in found.questions}
    assert asked.get("units.resistance_mohm") == suggested
    if unit is not None:
        assert found.content.get("units", {}).get("resistance_mohm", "mOhm") == unit


def test_resistances_that_are_not_one_for_each_voltage_are_named_as_unused(tmp_path):
    rows = table()
    text([[*rows[0], "IR1 (mOhm)", "IR2 (mOhm)"], *([*row, "21", "22"] for row in rows[1:])])(tmp_path / "log.csv")
    found = confirmed(tmp_path / "log.csv", KNOWN)
    assert found.content["unused"] == ["IR1 (mOhm)", "IR2 (mOhm)"]
    assert {c.why_unused for c in found.columns if c.heading.startswith("IR")} == {"resistance"}


def test_logs_of_two_packs_beside_one_another_are_told_apart(store, tmp_path):
    """Row by row in one file, forty minutes at one reading a minute."""
    moments = [BEGAN + timedelta(minutes=m) for m in range(40)]
    amps = [25.0 + m % 7 for m in range(40)]
    rows = [["Vehicle", "Time", "Current [A]", *(f"V{b}" for b in range(1, BLOCKS + 1))]]
    for at, current in zip(moments, amps, strict=True):
        for name, level in ((PACK, 13.2), ("MB-VAN-08", 13.6)):
            rows.append([name, at.isoformat(), f"{current}", *[f"{level - 0.02 * current:.3f}"] * BLOCKS])
    text(rows)(tmp_path / "log.csv")
    mapping = confirmed(tmp_path / "log.csv", KNOWN).mapping("m")
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping)
    assert (report.read, report.taken) == ({"readings": 80}, {"readings": 2})
    with store.reading() as session:
        told = {row.pack_id: row for row in session.query(Reading)}
    assert told[PACK].log_rows == told["MB-VAN-08"].log_rows == 40
    assert told["MB-VAN-08"].block_v[0] - told[PACK].block_v[0] == pytest.approx(0.4, abs=1e-3)


def test_a_clock_without_a_day_passes_midnight(store, tmp_path):
    began = datetime(2026, 1, 25, 23, 57, tzinfo=UTC)
    rows = [["Time", "Current [A]", *(f"V{b}" for b in range(1, BLOCKS + 1))]]
    rows += [[f"{began + timedelta(minutes=m):%H:%M:%S}", "20", *["13.1"] * BLOCKS] for m in range(6)]
    text(rows)(tmp_path / "log.csv")
    answers = {"fixed.pack_id": PACK, "time.zone": "UTC", "time.start": "2026-01-25", "discharge": "positive"}
    mapping = confirmed(tmp_path / "log.csv", answers).mapping("m")
    assert import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping).stored
    with store.reading() as session:
        assert max(session.query(Reading.time).all())[0] == datetime(2026, 1, 26, 0, 2, tzinfo=UTC)


def test_a_pack_is_never_told_from_its_current(tmp_path):
    text(extra("Pack current", "1.5", "2.5"))(tmp_path / "log.csv")
    found = understand(tmp_path / "log.csv", {"time.zone": "UTC"})
    assert {column.heading: column.meaning for column in found.columns}["Pack current"] == "current_a"
    assert "fixed.pack_id" in {question.key for question in found.questions}


def test_a_drive_log_comes_in_as_what_it_tells(store, tmp_path):
    """Invented: two hours at one reading a second, of a pack whose third block has 5 mΩ more than the others."""
    seconds, rng = 7_200, np.random.default_rng(1)
    amps = np.round(30 * np.sin(np.arange(seconds) / 23) + 8 * rng.standard_normal(seconds), 1)
    amps[:120] = 0
    resistance = np.where(np.arange(BLOCKS) == 2, 0.025, 0.020)
    volts = 13.2 - amps[:, None] * resistance + 0.02 * rng.standard_normal((seconds, BLOCKS))
    frame = pd.DataFrame(np.round(volts, 2), columns=[f"V{b}" for b in range(1, BLOCKS + 1)])
    frame.insert(0, "current_a", amps)
    frame.insert(0, "time", [(BEGAN + timedelta(seconds=t)).isoformat() for t in range(seconds)])
    frame.to_csv(tmp_path / "log.csv", index=False)
    assert "visits" in {question.key for question in understand(tmp_path / "log.csv", KNOWN).questions}
    mapping = confirmed(tmp_path / "log.csv", KNOWN).mapping("m")
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping)
    assert (report.stored, report.read, report.taken) == (True, {"readings": seconds}, {"readings": 3})
    with store.reading() as session:
        told = {row.state: row for row in session.query(Reading)}
    assert sorted(told) == ["charge", "discharge", "rest"]
    for row in told.values():
        assert row.block_v == pytest.approx(list(13.2 - (row.current_a or 0) * resistance), abs=0.012)


def log_file(path, volts, amps):
    """Write a log of one reading a second; the first quarter of an hour at rest."""
    frame = pd.DataFrame(volts, columns=[f"V{b}" for b in range(1, volts.shape[1] + 1)])
    frame.insert(0, "current_a", np.round(amps, 2))
    frame.insert(0, "time", [(BEGAN + timedelta(seconds=t)).isoformat() for t in range(len(amps))])
    frame.to_csv(path, index=False)
    return confirmed(path, KNOWN).mapping("m")


def steady(seconds=2_400):
    """Current of a lamp load and then of a steady charge, A. Invented."""
    amps = np.where(np.arange(seconds) < seconds // 2, 18.0, -6.0)
    amps[: seconds // 4] = 0
    return amps + 0.1 * np.random.default_rng(0).standard_normal(seconds)


def test_a_steady_log_is_stored_as_it_was_read(store, tmp_path):
    """Invented: every row of a load reads 11.2 V, of a charge 14.2 V, in steps of 0.1 V."""
    amps = steady()
    volts = np.where(np.abs(amps) < 1, 13.0, np.where(amps > 0, 11.2, 14.2))[:, None] * np.ones(BLOCKS)
    volts[:, 4] -= 0.1
    mapping = log_file(tmp_path / "log.csv", volts, amps)
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping)
    assert report.stored
    with store.reading() as session:
        for row in session.query(Reading):
            level = {"rest": 13.0, "discharge": 11.2, "charge": 14.2}[row.state]
            assert row.block_v == pytest.approx([level - 0.1 * (b == 4) for b in range(BLOCKS)], abs=1e-4)
            assert row.resistance_mohm is None
    assert ["tells no resistances" in doubt.reason for doubt in report.doubts] == [True, True]


def test_volts_of_one_cell_each_are_not_stored(store, tmp_path):
    amps = steady()
    volts = np.where(np.abs(amps) < 1, 1.30, np.where(amps > 0, 1.12, 1.42))[:, None] * np.ones(BLOCKS)
    mapping = log_file(tmp_path / "log.csv", volts, amps)
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping)
    assert not report.stored
    assert report.faults[0].reason == "The volts are those of one cell each; a block of family gravel-14 has 10."


def test_a_pack_that_nobody_knows_is_told_once_with_its_rows(store, tmp_path):
    amps = steady(120)
    mapping = log_file(tmp_path / "log.csv", np.full((120, BLOCKS), 13.0), amps)
    stranger = mapping.model_copy(update={"fixed": {**mapping.fixed, "pack_id": "MB-NOBODY"}})
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=stranger)
    assert (report.stored, report.faults_in_all, len(report.faults)) == (False, 1, 1)
    assert "'MB-NOBODY' is neither stored nor in this import. 120 rows are of it" in report.faults[0].reason
    assert report.faults[0].row == 2


@pytest.mark.parametrize(("second", "asked"), [(4, False), (9, True)])
def test_logs_of_two_packs_in_one_file_are_asked_about(store, tmp_path, second, asked):
    """Invented: two drives an hour apart, a block 0.12 V low in each."""
    rng, amps = np.random.default_rng(3), 40 * np.sin(np.arange(2_400) / 17)
    volts = 13.0 - 0.02 * amps[:, None] + 0.01 * rng.standard_normal((2_400, BLOCKS))
    volts[:1_200, 4] -= 0.12
    volts[1_200:, second] -= 0.12
    frame = pd.DataFrame(np.round(volts, 2), columns=[f"V{b}" for b in range(1, BLOCKS + 1)])
    frame.insert(0, "current_a", np.round(amps, 2))
    seconds = np.arange(2_400) + 3_600 * (np.arange(2_400) >= 1_200)
    frame.insert(0, "time", [(BEGAN + timedelta(seconds=int(t))).isoformat() for t in seconds])
    frame.to_csv(tmp_path / "log.csv", index=False)
    mapping = confirmed(tmp_path / "log.csv", KNOWN).mapping("m")
    report = import_files(store, tmp_path / "log.csv", FAMILIES, WRITER, mapping=mapping)
    assert any("another block is low" in doubt.reason for doubt in report.doubts) == asked
