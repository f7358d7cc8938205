"""A first guess at a mapping, for somebody to look over: what cannot be told from the file is left to say."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter, defaultdict
from datetime import datetime
from itertools import islice
from pathlib import Path
from statistics import median
from typing import Any, Final

from models.base.errors import BadInput
from service.exchange.imports.files import Lines, headings_of, readable, rows_of
from service.exchange.imports.limits import LONGEST_ROW

LOOKED_AT: Final = 200
"""Rows looked at."""

DELIMITERS: Final = (",", ";", "\t", "|")
TRIED_LINES: Final = 20
"""Lines in which the delimiter is looked for."""

_WORDS: Final[dict[str, re.Pattern[str]]] = {
    "time": re.compile(r"time|date|stamp|zeit|hora", re.I),
    "pack_id": re.compile(r"pack|unit|vehicle|fleet|asset", re.I),
    "state": re.compile(r"state|mode|status", re.I),
    "current_a": re.compile(r"curr|amp|\bi\b|\[m?a\]|_m?a$", re.I),
    "temperature_c": re.compile(r"temp|°|\bt\b|_[cf]$", re.I),
}
_TIME_FORMATS: Final = (
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %H:%M",
    "%Y/%m/%d %H:%M:%S",
    "%Y%m%d%H%M%S",
)


def guess_mapping(path: Path) -> tuple[str, list[str]]:
    """Guess the mapping of a file of readings.

    Returns
    -------
    mapping : str
        TOML, to be looked over and completed.
    questions : list of str
        What the file does not tell.

    Raises
    ------
    BadInput
        Nothing in the file looks like block voltages.
    """
    delimiter = _delimiter(path)
    headings = headings_of(path, delimiter)
    sample = [fields for _, fields in islice(rows_of(path, delimiter), LOOKED_AT)]
    blocks = _blocks(headings)
    if len(blocks) < 2:
        raise BadInput.one(
            path.name,
            "No group of numbered columns looks like block voltages.",
            "Write the mapping by hand, see the manual.",
        )
    rest = [heading for heading in headings if heading not in blocks]
    columns: dict[str, str] = {}
    for column, word in _WORDS.items():
        found = next((heading for heading in rest if word.search(heading) and heading not in columns.values()), None)
        if found is not None:
            columns[column] = found
    texts = {heading: [str(row.get(heading) or "").strip() for row in sample] for heading in headings}
    commas = any(re.fullmatch(r"-?\d+,\d+", text) for column in texts.values() for text in column)
    decimal = "," if commas and delimiter != "," else "."
    numbers = {heading: _numbers(texts[heading], decimal) for heading in headings}
    units = {}
    volts = [abs(value) for heading in blocks for value in numbers[heading]]
    if (volts and median(volts) > 250) or "mv" in blocks[0].lower():
        units["block_v"] = "mV"
    amps = columns.get("current_a")
    if amps is not None and re.search(r"\bma\b|_ma$", amps, re.I):
        units["current_a"] = "mA"
    warm = columns.get("temperature_c")
    if warm is not None and re.search(r"°f|\bf\b|_f$", warm, re.I):
        units["temperature_c"] = "F"
    questions = []
    fixed = {}
    if "pack_id" not in columns:
        fixed["pack_id"] = ""
        questions.append("Which pack is it? Fill in fixed.pack_id.")
    if "time" not in columns:
        questions.append("Which column holds the time? Add it to columns as time.")
    pattern, zone = _time(texts.get(columns.get("time", ""), []))
    if pattern is None:
        questions.append("How are the times written? Fill in time.format, as %d.%m.%Y %H:%M.")
    elif pattern in ("%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M"):
        questions.append("Is the day written before the month? If not, turn them round in time.format.")
    if zone:
        questions.append("Which time zone is the logger's clock set to? Fill in time.zone, as Atlantic/Azores or UTC.")
    words = sorted(set(texts.get(columns.get("state", ""), [])) - {""})
    if words:
        questions.append("What do the words for the state mean? Give each rest, discharge or charge in state.words.")
    elif amps is None:
        questions.append("In what state was the pack? Add fixed.state, as rest.")
    if amps is not None:
        questions.append("Is the discharge current positive in the file? If not, set discharge to negative.")
    questions.append(f"Are the blocks in the pack's own order ({blocks[0]} to {blocks[-1]})?")
    known = ("rest", "discharge", "charge")
    content: dict[str, Any] = {
        "table": "readings",
        "delimiter": delimiter,
        "decimal": decimal,
        "discharge": "positive",
        "blocks": blocks,
        "columns": columns,
        "units": units,
        "fixed": fixed,
        "time": {"format": pattern or "", "zone": ""},
    }
    if words:
        content["state.words"] = {word: next((k for k in known if word.lower().startswith(k)), "") for word in words}
    elif amps is not None:
        content["state"] = {"from_current_a": 0.5}
    return _toml(content, questions), questions


def _delimiter(path: Path) -> str:
    """Return what parts the fields of a CSV file: the sign that parts most of its first rows into most fields."""
    if path.suffix == ".parquet":
        return ","
    with readable(path) as file:
        lines = list(islice(Lines(path, file, longest=TRIED_LINES * LONGEST_ROW), TRIED_LINES))

        counts = {d: Counter(len(row) for row in csv.reader(lines, delimiter=d) if len(row) > 1) for d in DELIMITERS}
    # Ties go to more fields, and then to the sign that comes first.
    return max(DELIMITERS, key=lambda d: max(((rows, size) for size, rows in counts[d].items()), default=(0, 0)))


def _blocks(headings: list[str]) -> list[str]:
    """Return the largest group of headings that differ by a running number alone, in the order of the numbers."""
    groups: dict[tuple[str, str], list[tuple[int, str]]] = defaultdict(list)
    for heading in headings:
        end = next((at for at in range(len(heading), 0, -1) if heading[at - 1].isdecimal()), 0)
        start = next((at for at in range(end, 0, -1) if not heading[at - 1].isdecimal()), 0)
        if end:
            groups[heading[:start], heading[end:]].append((int(heading[start:end]), heading))
    largest = max(groups.values(), key=len, default=[])
    return [heading for _, heading in sorted(largest)]


def _numbers(texts: list[str], decimal: str) -> list[float]:
    found = []
    for text in texts:
        try:
            found.append(float(text.replace(",", ".") if decimal == "," else text))
        except ValueError:
            continue
    return found


def _time(texts: list[str]) -> tuple[str | None, bool]:
    """Return the format of some times, and whether a zone must be said."""
    some = [text for text in texts if text]
    if not some:
        return None, True
    if all(re.fullmatch(r"\d+(\.\d+)?", text) for text in some) and len(some[0].split(".")[0]) in (10, 13):
        return ("unix-ms" if len(some[0].split(".")[0]) == 13 else "unix-s"), False
    try:
        moments = [datetime.fromisoformat(text) for text in some]
    except ValueError:
        pass
    else:
        return "iso", any(moment.tzinfo is None for moment in moments)
    for pattern in _TIME_FORMATS:
        try:
            for text in some:
                datetime.strptime(text, pattern)  # noqa: DTZ007  only whether it fits
        except ValueError:
            continue
        return pattern, True
    return None, True


def _toml(content: dict[str, Any], questions: list[str]) -> str:
    """Write flat tables as TOML; a JSON text, list or number is a TOML one too."""
    lines = ["# A guess. Look over every line; what the file does not tell is asked here:"]
    lines += [f"# - {question}" for question in questions]
    lines += [f"{key} = {_plain(value)}" for key, value in content.items() if not isinstance(value, dict)]
    for key, table in content.items():
        if isinstance(table, dict) and table:
            lines += ["", f"[{key}]"]
            lines += [f"{k if k.isidentifier() else _plain(k)} = {_plain(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"


def _plain(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
