"""Files of readings as workshops have them, and what must come out of each. All invented.

The log is the same in all of them. What differs is who wrote it down.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path

from tests.service.exchange.imports.invented_log import (
    BEGAN,
    BLOCKS,
    CURRENTS,
    DAY_FIRST,
    FALLBACK,
    LOG,
    NO_WARMTH,
    OHMS,
    PACK,
    REST,
    SLOWER,
    STATES,
    Told,
    changed,
    local,
    naive,
    with_gaps,
)
from tests.service.exchange.imports.written_files import (
    backwards,
    comma,
    insert,
    long_rows,
    marked,
    merged,
    modules,
    numbers,
    parquet,
    record,
    scan_tool,
    sheet,
    table,
    text,
    write_json,
)


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
