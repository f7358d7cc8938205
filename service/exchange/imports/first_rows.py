"""The first rows of a file as a mapping takes them: for whoever looks a guess over."""

from __future__ import annotations

from collections.abc import Callable
from itertools import islice
from pathlib import Path

from models.base.errors import BadInput
from models.packs.history import BlockReading
from service.exchange.imports.loading import rows_in_time
from service.exchange.imports.mapping import FileMapping
from service.exchange.imports.packed_files import unpacked_once
from service.exchange.imports.rows import RowFault, RowReader


@unpacked_once()
def first_rows(
    path: Path, mapping: FileMapping, blocks_of: Callable[[str], int | None], count: int
) -> tuple[list[BlockReading], list[RowFault]]:
    """Read the first rows in time, and store nothing.

    Parameters
    ----------
    mapping : FileMapping
        Of readings.
    blocks_of : callable
        Returns the number of blocks of a pack, None if it is not known.
    count : int
        Rows to read at most.

    Returns
    -------
    readings, faults
        What they are taken for, and what is wrong with others among them.
    """
    reader = RowReader(mapping, path.name, blocks_of)
    readings: list[BlockReading] = []
    faults: list[RowFault] = []
    try:
        reader.settle_hours(rows_in_time(path, mapping))
        for number, fields in islice(rows_in_time(path, mapping, joined=True), count):
            found = reader.record(number, fields)
            if isinstance(found, BlockReading):
                readings.append(found)
            elif isinstance(found, list):
                faults += found
    except BadInput as error:
        faults += [RowFault(path.name, 0, problem.where, problem.what, problem.mend) for problem in error.problems]
    return readings, faults
