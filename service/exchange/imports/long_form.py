"""A file with one row for each block, turned into one row for each reading."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any

from service.exchange.imports.files import Row
from service.exchange.imports.mapping import FileMapping, LongForm


def widened(rows: Iterator[Row], mapping: FileMapping, long: LongForm) -> Iterator[Row]:
    """Join the rows of a reading, which follow one another, into one that has a field for each block.

    A reading begins where its time, its pack or its state changes. Its number is that of its first row; a block that
    stands there twice, or that the mapping does not name, is told in the field without a heading.
    """
    same = [mapping.columns[name] for name in ("pack_id", "time", "state") if name in mapping.columns]
    same += [mapping.time.clock] if mapping.time.clock else []

    def reading_of(row: Row) -> tuple[Any, ...]:
        return tuple(row[1].get(heading) for heading in same)

    for _, group in groupby(rows, reading_of):
        number, fields = next(group)
        wide = dict(fields)
        _add(wide, fields, mapping, long)
        for _, more in group:  # noqa: B031  the same generator, gone on with
            if "" in more:
                wide.setdefault("", more[""])
            _add(wide, more, mapping, long)
        yield number, wide


def block_name(given: Any) -> str:
    """Return a block's number or name as the mapping writes it: 3.0 is 3."""
    text = str(given if given is not None else "").strip()
    return text.removesuffix(".0")


def resistance_of(name: str) -> str:
    """Return the field in which the resistance of a block stands once its rows are joined."""
    return f"{name}\tresistance_mohm"  # no heading has a tab in it


def _add(wide: dict[str, Any], fields: dict[str, Any], mapping: FileMapping, long: LongForm) -> None:
    name = block_name(fields.get(long.block))
    if name not in mapping.blocks:
        wide.setdefault("", f"the block {name!r}, which the mapping does not name")
    elif name in wide:
        wide.setdefault("", f"the block {name!r} twice")
    else:
        wide[name] = fields.get(long.block_v)
        if long.resistance_mohm:
            wide[resistance_of(name)] = fields.get(long.resistance_mohm)
