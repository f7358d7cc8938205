"""Tables of a page as CSV files that a spreadsheet opens: no text of anybody's becomes a formula there."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, Final

from starlette.responses import Response

FORMULA_SIGNS: Final = ("=", "+", "-", "@", "\t", "\r")
"""Signs at the start of a text that a spreadsheet takes for a formula (OWASP, CSV Injection)."""


def harmless(value: Any) -> Any:
    """Return a field as it is written: numbers plain, text with an apostrophe where it would become a formula."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str) and value.startswith(FORMULA_SIGNS):
        return f"'{value}"
    return value


def csv_file(name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Response:
    """Answer with a CSV file in UTF-8, marked as such, so that a spreadsheet reads every letter."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([harmless(value) for value in row] for row in rows)
    headers = {"Content-Disposition": f'attachment; filename="{name}.csv"'}
    return Response("\ufeff" + text.getvalue(), headers=headers, media_type="text/csv; charset=utf-8")
