"""Tables of a page as CSV files that a spreadsheet opens."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from starlette.responses import Response

from service.exchange.exports.tables import csv_field


def csv_file(name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Response:
    """Answer with a CSV file in UTF-8, marked as such, so that a spreadsheet reads every letter."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([csv_field(value) for value in row] for row in rows)
    headers = {"Content-Disposition": f'attachment; filename="{name}.csv"'}
    return Response("\ufeff" + text.getvalue(), headers=headers, media_type="text/csv; charset=utf-8")
