"""Tables that are sorted by a heading: asked for in the address, so that it works without scripts and can be kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeVar
from urllib.parse import urlencode

from fastapi import Request

Row = TypeVar("Row")


@dataclass(frozen=True)
class Sorting:
    """By which column a table is sorted.

    Attributes
    ----------
    order : str
        The column.
    reverse : bool
        Whether the other way round than that column begins.
    falling : mapping of str to bool
        Every column that can be sorted by, and whether it begins with the highest.
    path : str
        Address of the page.
    kept : mapping of str to str
        What else is asked for in it.
    prefix : str
        Of the two names in the address, where a page has several tables.
    """

    order: str
    reverse: bool
    falling: Mapping[str, bool]
    path: str
    kept: Mapping[str, str]
    prefix: str = ""

    @property
    def usual(self) -> bool:
        """Whether it is the order in which the page opens."""
        return self.order == next(iter(self.falling)) and not self.reverse

    @property
    def down(self) -> bool:
        """Whether the highest comes first."""
        return self.falling[self.order] != self.reverse

    def texts(self) -> dict[str, str]:
        """Return what goes into the address to keep this order."""
        found = {} if self.order == next(iter(self.falling)) else {f"{self.prefix}order": self.order}
        return found | ({f"{self.prefix}reverse": "true"} if self.reverse else {})

    def state(self, column: str) -> Literal["ascending", "descending", ""]:
        """Say how a column is sorted, as `aria-sort` does (WAI-ARIA 1.2)."""
        if column != self.order:
            return ""
        return "descending" if self.down else "ascending"

    def address(self, column: str) -> str:
        """Return the address that sorts by a column; by the one it is sorted by already, the other way round."""
        other = Sorting(
            column, column == self.order and not self.reverse, self.falling, self.path, self.kept, self.prefix
        )
        asked = urlencode({**self.kept, **other.texts()})
        return f"{self.path}?{asked}" if asked else self.path


def sorting_of(
    request: Request, path: str, falling: Mapping[str, bool], kept: Mapping[str, str], prefix: str = ""
) -> Sorting:
    """Read the order that the address asks for; a column that there is not is none, and the usual one is taken.

    Parameters
    ----------
    falling : mapping of str to bool
        The usual one first.
    """
    order = request.query_params.get(f"{prefix}order", "")
    reverse = request.query_params.get(f"{prefix}reverse") == "true"
    return Sorting(order if order in falling else next(iter(falling)), reverse, falling, path, kept, prefix)


def in_order(rows: Iterable[Row], sorting: Sorting, value: Callable[[Row, str], Any]) -> Sequence[Row]:
    """Sort rows in memory; where nothing is known they come last, whichever way round."""
    all_rows = list(rows)
    known = [row for row in all_rows if value(row, sorting.order) is not None]
    unknown = [row for row in all_rows if value(row, sorting.order) is None]
    return [*sorted(known, key=lambda row: value(row, sorting.order), reverse=sorting.down), *unknown]
