"""Small Parquet files that unpack to something large; `python -m tests.service.exchange.imports.bombs NAME PATH`."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq


def one_text_in_every_row(path: Path) -> None:
    words = pa.DictionaryArray.from_arrays(np.zeros(5_000, np.int32), ["x" * 1_000_000])
    pq.write_table(pa.table({"pack_id": words, "age_years": np.arange(5_000)}), path, compression="zstd")


def a_page_of_half_a_gigabyte(path: Path) -> None:
    table = pa.table({"pack_id": ["y" * 9_000] * 55_000})
    pq.write_table(table, path, compression="zstd", use_dictionary=False, data_page_size=2**29)
    # Padded, so that it is not refused for its many rows.
    whole = path.read_bytes()
    footer = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    path.write_bytes(whole[:footer] + bytes(200_000) + whole[footer:])


def all_rows_alike(path: Path) -> None:
    pq.write_table(pa.table({"pack_id": ["A"] * 3_000_000, "age_years": [1.0] * 3_000_000}), path)


def wide(path: Path) -> None:
    pq.write_table(pa.table({f"c{n}": [1.0] for n in range(20_000)}), path)


def nested(path: Path) -> None:
    pq.write_table(pa.table({"blocks": pa.array([[1, 2]] * 10)}), path)


if __name__ == "__main__":
    globals()[sys.argv[1]](Path(sys.argv[2]))
