"""Files of readings as workshops have them, made by code, and what must come out of each. All invented.

The log is the same in all of them: a pack of 14 blocks at rest, then driven, one reading a minute. What differs is who
wrote it down. Formats follow RFC 4180 (CSV), ISO 8601, ECMA-376 (spreadsheets), the Unicode standard (UTF-16) and what
is common practice, no source.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import xlsxwriter

AZORES = "Atlantic/Azores"
PACK = "MB-VAN-07"
BLOCKS = 14
CURRENTS = (0.0, 0.0, 18.5, 42.25, 30.0, -12.5, -20.75, 0.0, 25.5, 10.0, 55.0, -8.25)
"""A, discharge positive. The third zero is a crossing while driving, no rest."""
STATES = ("rest", "rest", *("discharge",) * 3, "charge", "charge", *("discharge",) * 4, "charge")
BEGAN = datetime(2026, 1, 25, 13, 5, tzinfo=UTC)


@dataclass(frozen=True)
class Told:
    """One reading as it must come out."""

    time: datetime
    state: str
    current_a: float | None
    temperature_c: float | None
    block_v: tuple[float | None, ...]
    pack_id: str = PACK
    soc_pct: float | None = None
    spread_v: float | None = None
    resistance_mohm: tuple[float | None, ...] | None = None
    code: str | None = None
    code_state: str | None = None


def volts(current: float) -> tuple[float, ...]:
    return tuple(round(13.2 + 0.013 * block - 0.021 * current, 3) for block in range(BLOCKS))


def log(began: datetime = BEGAN, *, states: bool = True, every: timedelta = timedelta(minutes=1)) -> list[Told]:
    return [
        Told(began + place * every, STATES[place] if states else "rest", amps, 21.5 + 0.5 * place, volts(amps))
        for place, amps in enumerate(CURRENTS)
    ]


LOG = log()


@dataclass(frozen=True)
class Case:
    """A file and what must come of it.

    Attributes
    ----------
    name : str
        With the ending that the file has.
    write : callable
        Makes the file.
    told : list of Told
        What must come out.
    answers : dict
        What somebody must say besides which pack it is and where the clock stands, and finding the suggestions right.
    asked : tuple of str
        Keys of questions that must be asked.
    unused : tuple of str
        Headings that must be named as unused.
    """

    name: str
    write: Callable[[Path], None]
    told: list[Told]
    answers: dict[str, str] = field(default_factory=dict)
    asked: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    blocks_of_pack: int | None = None


def local(moment: datetime, pattern: str) -> str:
    return moment.astimezone(ZoneInfo(AZORES)).strftime(pattern)


def table(
    told: list[Told] = LOG,
    *,
    time: Callable[[Told], list[str]] = lambda t: [t.time.isoformat()],
    head: list[str] | None = None,
    current: str | None = "Current [A]",
    warm: str | None = "Temperature [°C]",
    block: Callable[[int], str] = lambda b: f"Block {b} [V]",
    volt: Callable[[float], str] = lambda v: f"{v:.3f}",
    amp: Callable[[float], str] = lambda a: f"{a:.2f}",
    degree: Callable[[float], str] = lambda c: f"{c:.1f}",
) -> list[list[str]]:
    rows = [[*(head or ["Time"]), *([current] if current else []), *([warm] if warm else [])]]
    rows[0] += [block(b) for b in range(1, BLOCKS + 1)]
    for t in told:
        row = time(t)
        row += [amp(t.current_a or 0.0)] if current else []
        row += [degree(t.temperature_c or 0.0)] if warm else []
        rows.append(row + ["" if v is None else volt(v) for v in t.block_v])
    return rows


def text(
    rows: list[list[str]],
    delimiter: str = ",",
    encoding: str = "utf-8",
    before: str = "",
    after: str = "",
    end: str = "",
    **options: Any,
) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        with path.open("w", encoding=encoding, newline="") as file:
            file.write(before)
            if end:
                file.writelines(delimiter.join(row) + end for row in rows)
            else:
                csv.writer(file, delimiter=delimiter, **options).writerows(rows)
            file.write(after)

    return write


def comma(pattern: str) -> Callable[[float], str]:
    return lambda number: format(number, pattern).replace(".", ",")


def insert(rows: list[list[str]], at: int, heading: str, values: Callable[[int], str]) -> list[list[str]]:
    return [[*row[:at], heading if place == 0 else values(place - 1), *row[at:]] for place, row in enumerate(rows)]


def sheet(rows: list[list[Any]], name: str = "Log", first_row: int = 0, other: bool = False) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        with xlsxwriter.Workbook(path) as book:
            moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
            if other:
                book.add_worksheet("Cover").write(0, 0, "Drive of the week")
            page = book.add_worksheet(name)
            for r, row in enumerate(rows):
                for c, cell in enumerate(row):
                    if isinstance(cell, datetime):
                        page.write_datetime(first_row + r, c, cell, moment)
                    else:
                        page.write(first_row + r, c, cell)

    return write


def numbers(rows: list[list[str]]) -> list[list[Any]]:
    return [rows[0], *([row[0], *(float(cell) for cell in row[1:])] for row in rows[1:])]


def naive(moment: datetime) -> datetime:
    return moment.astimezone(ZoneInfo(AZORES)).replace(tzinfo=None)


def write_json(path: Path, content: Any) -> None:
    path.write_text(json.dumps(content), encoding="utf-8")


def record(t: Told) -> dict[str, Any]:
    return {"time": t.time.isoformat(), "current": t.current_a, "temp_c": t.temperature_c, "cells": list(t.block_v)}


def parquet(path: Path) -> None:
    rows = table(head=["ts"], time=lambda t: [""], block=lambda b: f"v{b}")
    frame = pd.DataFrame([[float(c) for c in row[1:]] for row in rows[1:]], columns=rows[0][1:])
    frame.insert(0, "ts", [t.time for t in LOG])
    frame.to_parquet(path)


def long_rows(blocks: int = BLOCKS) -> list[list[str]]:
    rows = [["time", "block no", "voltage_v", "current_a"]]
    for t in LOG:
        rows += [[t.time.isoformat(), str(b), f"{v:.3f}", f"{t.current_a}"] for b, v in enumerate(t.block_v, start=1)]
    return rows


def modules() -> list[list[str]]:
    """Two modules a block: their voltages add up to the block's."""
    rows = table()
    out = [[*rows[0][:3], *(f"Module {m}" for m in range(1, 2 * BLOCKS + 1))]]
    for t, row in zip(LOG, rows[1:], strict=True):
        out.append(
            [*row[:3], *(f"{part:.4f}" for v in t.block_v if v is not None for part in (v / 2 + 0.1, v / 2 - 0.1))]
        )
    return out


def changed(told: list[Told], **fields: Any) -> list[Told]:
    return [Told(**{**t.__dict__, **fields}) for t in told]


def with_gaps() -> list[Told]:
    return [
        Told(t.time, t.state, t.current_a, t.temperature_c, (None, *t.block_v[1:])) if place in (3, 7) else t
        for place, t in enumerate(LOG)
    ]


FALLBACK = log(datetime(2026, 10, 24, 23, 30, tzinfo=UTC), every=timedelta(minutes=10))
"""IANA time zone database: on 25 October 2026 the Azores turned their clocks from 01:00 back to 00:00, at 01:00 UTC."""
DAY_FIRST = log(datetime(2026, 3, 2, 9, 0, tzinfo=UTC))
REST = [Told(t.time, "rest", None, None, volts(0.0)) for t in LOG]
WHOLE = [Told(t.time, t.state, t.current_a, t.temperature_c, tuple(round(v, 2) for v in t.block_v if v)) for t in LOG]
NO_WARMTH = changed(LOG, temperature_c=None)


def marked(marks: tuple[str, str]) -> list[list[str]]:
    rows = table(with_gaps())
    first = rows[0].index("Block 1 [V]")
    for place, mark in zip((3, 7), marks, strict=True):
        rows[place + 1][first] = mark
    return rows


OHMS = tuple(21.0 + 0.25 * block for block in range(BLOCKS))
SLOWER = [Told(t.time + timedelta(seconds=20), *(list(t.__dict__.values())[1:])) for t in LOG]


def scan_tool() -> list[list[str]]:
    """The headings of a table of a scan tool, in the trade's own words; invented."""
    head = ["Time", "HV Battery Current (A)", "HV Battery Voltage (V)", "State of Charge (%)", "Delta SOC (%)"]
    head += ["Block Voltage Max (V)", "Block Voltage Difference (mV)", "Battery Temp (°C)", "DTC", "DTC status"]
    head += [f"Block {b} Voltage (V)" for b in range(1, BLOCKS + 1)]
    head += [
        "Internal Resistance of Pack (mOhm)",
        *(f"Block {b} Internal Resistance (mOhm)" for b in range(1, BLOCKS + 1)),
    ]
    rows = [head]
    for t in LOG:
        known = [v for v in t.block_v if v is not None]
        row = [t.time.isoformat(), f"{t.current_a}", f"{sum(known):.1f}", "57.5", "6.0", f"{max(known):.3f}", "169"]
        row += [f"{t.temperature_c}", "P0A80", "Pending", *(f"{v:.3f}" for v in known), "310"]
        rows.append(row + [f"{r:.2f}" for r in OHMS])
    return rows


def merged(path: Path) -> None:
    """Two rows of headings, those of the blocks under one that spans them."""
    with xlsxwriter.Workbook(path) as book:
        page, moment = book.add_worksheet("Log"), book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        for column, heading in enumerate(("Time", "Current [A]", "Temperature [°C]")):
            page.merge_range(0, column, 1, column, heading)
        page.merge_range(0, 3, 0, 2 + BLOCKS, "Block voltages [V]")
        page.write_row(1, 3, list(range(1, BLOCKS + 1)))
        for place, t in enumerate(LOG, start=2):
            page.write_datetime(place, 0, naive(t.time), moment)
            page.write_row(place, 1, [t.current_a, t.temperature_c, *t.block_v])


def backwards(rows: list[list[str]]) -> list[list[str]]:
    return [rows[0], *reversed(rows[1:])]


CASES = [
    Case("plain.csv", text(table()), LOG),
    Case(
        "semicolons and decimal commas.csv",
        text(
            table(
                time=lambda t: [local(t.time, "%d.%m.%Y %H:%M:%S")],
                head=["Zeit"],
                current="Strom [A]",
                warm="Temp. [°C]",
                block=lambda b: f"U{b} [V]",
                volt=comma(".3f"),
                amp=comma(".2f"),
                degree=comma(".1f"),
            ),
            ";",
        ),
        LOG,
    ),
    Case("tabs.txt", text(table(), "\t"), LOG),
    Case("bars.log", text(table(), "|"), LOG),
    Case("everything quoted.csv", text(table(), quoting=csv.QUOTE_ALL), LOG),
    Case("utf-16.csv", text(table(), "\t", "utf-16"), LOG),
    Case("utf-16 without a mark.txt", text(table(), "\t", "utf-16-le"), LOG),
    Case("an old code page.csv", text(table(), encoding="cp1252"), LOG),
    Case("utf-8 with a mark.csv", text(table(), encoding="utf-8-sig"), LOG),
    Case(
        "spreadsheet.xlsx",
        sheet([[*r] if p == 0 else [naive(LOG[p - 1].time), *r[1:]] for p, r in enumerate(numbers(table()))]),
        LOG,
    ),
    Case(
        "spreadsheet with a cover and a title.xlsx",
        sheet(
            [
                ["Log of the drive"],
                [],
                *([*r] if p == 0 else [naive(LOG[p - 1].time), *r[1:]] for p, r in enumerate(numbers(table()))),
            ],
            other=True,
        ),
        LOG,
    ),
    Case("records.json", lambda path: write_json(path, [record(t) for t in LOG]), LOG, {"modules_per_block": "1"}),
    Case(
        "records in an object.json",
        lambda path: write_json(path, {"logger": "bench 2", "rows": [record(t) for t in LOG]}),
        LOG,
        blocks_of_pack=BLOCKS,
    ),
    Case(
        "one record a line.jsonl",
        lambda path: path.write_text("".join(json.dumps(record(t)) + "\n" for t in LOG), encoding="utf-8"),
        LOG,
        blocks_of_pack=BLOCKS,
    ),
    Case("columns.parquet", parquet, LOG),
    Case("epoch seconds.csv", text(table(time=lambda t: [f"{t.time.timestamp():.0f}"], head=["epoch"])), LOG),
    Case("epoch milliseconds.csv", text(table(time=lambda t: [f"{t.time.timestamp() * 1000:.0f}"])), LOG),
    Case(
        "day first, told by the day.csv",
        text(table(time=lambda t: [local(t.time, "%d/%m/%Y %H:%M:%S")])),
        LOG,
    ),
    Case(
        "month first, told by the day.csv",
        text(table(time=lambda t: [local(t.time, "%m/%d/%Y %I:%M:%S %p")])),
        LOG,
    ),
    Case(
        "day or month first.csv",
        text(table(DAY_FIRST, time=lambda t: [local(t.time, "%d/%m/%Y %H:%M:%S")])),
        DAY_FIRST,
        asked=("time.format",),
    ),
    Case(
        "month or day first.csv",
        text(table(DAY_FIRST, time=lambda t: [local(t.time, "%m/%d/%Y %H:%M:%S")])),
        DAY_FIRST,
        {"time.format": "%m/%d/%Y %H:%M:%S"},
        asked=("time.format",),
    ),
    Case(
        "date and time in two columns.csv",
        text(table(time=lambda t: [local(t.time, "%d.%m.%Y"), local(t.time, "%H:%M:%S")], head=["Date", "Time"]), ";"),
        LOG,
    ),
    Case(
        "preamble and units in a row.csv",
        text(
            [
                [h.split(" [")[0] for h in table()[0]],
                ["", "A", "°C", *["V"] * BLOCKS],
                *table()[1:],
            ],
            before="Logger;serial 1234\r\nSite: the yard, bay 2\r\n\r\nSamples: 12\r\n",
        ),
        LOG,
    ),
    Case(
        "comments.csv",
        text([*table()[:4], ["# door opened"], *table()[4:]], before="# drive log\n# invented\n"),
        LOG,
    ),
    Case(
        "thousands marks.csv",
        text(table(block=lambda b: f"Block {b} [mV]", volt=lambda v: f"{1000 * v:,.0f}")),
        LOG,
        asked=(),
    ),
    Case(
        "thousands marks and decimal commas.csv",
        text(
            table(
                block=lambda b: f"Block {b} [mV]",
                volt=lambda v: f"{1000 * v:,.1f}".translate(str.maketrans(",.", ".,")),
                amp=comma(".2f"),
                degree=comma(".1f"),
            ),
            ";",
        ),
        LOG,
    ),
    Case("missing marks.csv", text(marked(("---", "NaN"))), with_gaps()),
    Case("empty fields.csv", text(table(with_gaps())), with_gaps()),
    Case(
        "a delimiter at the end of each row.csv",
        text([table()[0], *([*row, ""] for row in table()[1:])]),
        LOG,
    ),
    Case("one row a block.csv", text(long_rows()), NO_WARMTH, blocks_of_pack=BLOCKS),
    Case(
        "volts and millivolts, milliamperes and Fahrenheit.csv",
        text(
            [
                [h if p % 2 else h.replace("[V]", "[mV]") for p, h in enumerate(row)]
                if place == 0
                else [cell if p < 3 or p % 2 else f"{float(cell) * 1000:.0f}" for p, cell in enumerate(row)]
                for place, row in enumerate(
                    table(
                        current="Current [mA]",
                        warm="Temp [°F]",
                        amp=lambda a: f"{1000 * a:.0f}",
                        degree=lambda c: f"{1.8 * c + 32:.2f}",
                    )
                )
            ]
        ),
        LOG,
    ),
    Case(
        "units in the fields.csv",
        text(
            table(
                block=lambda b: f"Block {b}",
                current="Current",
                warm="Temperature",
                volt=lambda v: f"{v:.3f} V" if v < 13.3 else f"{1000 * v:.0f} mV",
                amp=lambda a: f"{a:.2f} A",
                degree=lambda c: f"{c:.1f} °C",
            )
        ),
        LOG,
    ),
    Case("modules.csv", text(modules()), LOG, asked=("modules_per_block",), blocks_of_pack=BLOCKS),
    Case(
        "an hour that came twice.csv",
        text(table(FALLBACK, time=lambda t: [local(t.time, "%Y-%m-%d %H:%M:%S")])),
        FALLBACK,
    ),
    Case(
        "charge is positive.csv",
        text(table(amp=lambda a: f"{-a:.2f}")),
        LOG,
    ),
    Case(
        "much that no record takes.csv",
        text(
            insert(
                insert(
                    insert(table(current="Pack current"), 1, "Pack voltage (V)", lambda p: "184.2"),
                    1,
                    "SOC %",
                    lambda p: "55",
                ),
                1,
                "Speed km/h",
                lambda p: "30",
            )
        ),
        changed(LOG, soc_pct=55.0),
        unused=("Speed km/h", "Pack voltage (V)"),
    ),
    Case(
        "a current by another name.csv",
        text(table(current="HVB1")),
        LOG,
        asked=("column: HVB1",),
    ),
    Case(
        "words for the state.csv",
        text(
            insert(
                table(current=None, warm=None),
                1,
                "Mode",
                lambda p: {"rest": "Parked", "discharge": "Driving", "charge": "Regen"}[STATES[p]],
            )
        ),
        changed(NO_WARMTH, current_a=None),
    ),
    Case(
        "neither state nor current.csv",
        text(table(REST, current=None, warm=None)),
        REST,
        {"fixed.state": "rest"},
        asked=("fixed.state",),
    ),
    Case(
        "seconds since the log began.csv",
        text(table(time=lambda t: [f"{(t.time - BEGAN).total_seconds():.1f}"], head=["Time (s)"])),
        LOG,
        {"time.start": local(BEGAN, "%Y-%m-%dT%H:%M:%S")},
        asked=("time.start",),
    ),
    Case(
        "its own pack in each row.csv",
        text(insert(table(), 0, "Vehicle", lambda p: "MB-VAN-08")),
        changed(LOG, pack_id="MB-VAN-08"),
    ),
    Case("old Mac line ends.csv", text(table(), end="\r"), LOG),
    Case("headings that are numbers.csv", text(table(block=lambda b: str(b), warm=None)), NO_WARMTH),
    Case(
        "blocks from zero, backwards.csv",
        text(
            [
                [*row[:3], *reversed(row[3:])]
                for row in table(block=lambda b: f"cell_{b - 1}_mv", volt=lambda v: f"{1000 * v:.0f}")
            ]
        ),
        LOG,
        blocks_of_pack=BLOCKS,
    ),
    Case(
        "scan tool with resistances and codes.csv",
        text(scan_tool()),
        changed(LOG, soc_pct=57.5, spread_v=0.169, resistance_mohm=OHMS, code="P0A80", code_state="pending"),
        unused=(
            "Block Voltage Max (V)",
            "Delta SOC (%)",
            "Internal Resistance of Pack (mOhm)",
            "HV Battery Voltage (V)",
        ),
        blocks_of_pack=BLOCKS,
    ),
    Case(
        "codes without a word of how they are stored.csv",
        text(insert(table(), 1, "DTC", lambda p: "P0A80" if p > 5 else "none")),
        [*LOG[:6], *changed(LOG[6:], code="P0A80", code_state="confirmed")],
        asked=("fixed.code_state",),
    ),
    Case(
        "one row a block, with ohms.csv",
        text(
            [
                [*row, "R (Ohm)" if p == 0 else f"{OHMS[(p - 1) % BLOCKS] / 1000:.5f}"]
                for p, row in enumerate(long_rows())
            ]
        ),
        changed(NO_WARMTH, resistance_mohm=OHMS),
        blocks_of_pack=BLOCKS,
    ),
    Case(
        "utf-16 with a preamble.txt",
        text(
            table(
                time=lambda t: [local(t.time, "%d.%m.%Y %H:%M:%S")],
                volt=comma(".3f"),
                amp=comma(".2f"),
                degree=comma(".1f"),
            ),
            "\t",
            "utf-16",
            before="Device\tlogger 4\r\nFirmware\t2.1\r\nRange\t0\t100\r\n\r\n",
        ),
        LOG,
    ),
    Case(
        "merged headings.xlsx",
        merged,
        LOG,
    ),
    Case(
        "two cars in one file.csv",
        text(
            [
                ["Car", *table()[0]],
                *(
                    row
                    for pair in zip(
                        ([PACK, *row] for row in table()[1:]),
                        (["MB-VAN-08", *row] for row in table(SLOWER)[1:]),
                        strict=True,
                    )
                    for row in pair
                ),
            ]
        ),
        sorted([*LOG, *changed(SLOWER, pack_id="MB-VAN-08")], key=lambda t: t.time),
    ),
    Case("newest first.csv", text(backwards(table())), LOG),
    Case(
        "an hour that came twice, newest first.csv",
        text(backwards(table(FALLBACK, time=lambda t: [local(t.time, "%Y-%m-%d %H:%M:%S")]))),
        FALLBACK,
    ),
    Case(
        "current out and in apart.csv",
        text(
            insert(
                insert(table(current=None), 1, "Charge current [A]", lambda p: f"{max(0.0, -CURRENTS[p]):.2f}"),
                1,
                "Discharge current [A]",
                lambda p: f"{max(0.0, CURRENTS[p]):.2f}",
            )
        ),
        LOG,
    ),
    Case(
        "days as a spreadsheet counts them.csv",
        text(table(time=lambda t: [f"{25569 + naive(t.time).replace(tzinfo=UTC).timestamp() / 86400:.6f}"])),
        LOG,
        asked=("time.format",),
    ),
    Case(
        "a day and a clock of twelve hours.csv",
        text(table(time=lambda t: [local(t.time, "%m/%d/%Y"), local(t.time, "%I:%M:%S %p")], head=["Date", "Clock"])),
        LOG,
    ),
    Case(
        "a clock without a day.csv",
        text(table(time=lambda t: [local(t.time, "%H:%M:%S")])),
        LOG,
        {"time.start": local(BEGAN, "%Y-%m-%d")},
        asked=("time.start",),
    ),
]
