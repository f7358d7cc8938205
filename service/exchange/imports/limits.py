"""How large the parts of a file may be: all our choice, far above what a record of packs holds."""

from __future__ import annotations

from typing import Final

MOST_COLUMNS: Final = 1_000
"""A family has at most 200 blocks; five columns of each, or 800 that are none of our business beside one of each."""

LONGEST_HEADING: Final = 200
LONGEST_FIELD: Final = 10_000
LONGEST_ROW: Final = 200_000
"""Characters."""

MOST_JSON_BYTES: Final = 10_000_000
"""Of a JSON text that is read whole; read, it takes some twenty times as much memory."""

MOST_CELLS: Final = 200_000
"""Fields unpacked at once."""

MOST_UNPACKING_BYTES: Final = 256_000_000
"""Memory in which a Parquet file is unpacked."""

MOST_FOOTER_BYTES: Final = 16_000_000
"""What a Parquet file says of itself: 1,000 columns in 100 row groups take about that."""

MOST_BESIDE: Final = 20
"""Packs whose logs may lie row by row beside one another in a file: each is held until it ends."""

MOST_TURNED: Final = 200_000
"""Rows of a file that runs backwards in time: it is held in memory to be turned."""

MOST_KEPT_BYTES: Final = 64_000_000
"""Memory in which what was unpacked is kept for the next pass."""

REFUSED: Final = 2
"""Status with which the unpacking of a Parquet file ends where it has said what is wrong."""

SHEET_NAMES: Final = b"sheets"
"""Under this key the unpacked columns of a spreadsheet name its sheets, as JSON."""

SHEETS: Final = (".xlsx", ".xlsm", ".xls", ".ods")
"""Endings of spreadsheets that are unpacked."""
