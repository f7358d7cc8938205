"""Files of readings made by code, in the formats that workshops have.

Formats follow RFC 4180 (CSV), ISO 8601, ECMA-376 (spreadsheets), the Unicode standard (UTF-16) and what is common
practice, no source.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from tests.service.exchange.imports.invented_log import BLOCKS, LOG, OHMS, Told, naive, with_gaps


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


def marked(marks: tuple[str, str]) -> list[list[str]]:
    rows = table(with_gaps())
    first = rows[0].index("Block 1 [V]")
    for place, mark in zip((3, 7), marks, strict=True):
        rows[place + 1][first] = mark
    return rows


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
