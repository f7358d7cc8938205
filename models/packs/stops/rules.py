"""What a stop is, and what a row of their table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from models.base.errors import TideoverError
from models.base.messages import Said
from models.packs.family import PackFamily
from models.packs.stops.known import Known

Ends = Literal["everything", "charging"]


@dataclass(frozen=True)
class Stop:
    """One fact that ends the job until something else is done.

    Attributes
    ----------
    code : str
        Short and stable, for machines.
    ends : {"everything", "charging"}
    text : str
        What was found, in a sentence.
    instead : str
        What to do instead.
    source : str
        Where the rule comes from.
    by_look : bool
        Whether a look noted with a later reading can lift it.
    needs_pack : bool
        Whether what to do instead is to replace the pack.
    """

    code: str
    ends: Ends
    text: str
    instead: str
    source: str
    by_look: bool = False
    needs_pack: bool = False


class Stopped(TideoverError):
    """A fact ends the job; `stops` says which, and what to do instead. No figure is given."""

    def __init__(self, stops: tuple[Stop, ...], family: PackFamily) -> None:
        self.stops, self.family = stops, family
        super().__init__(" ".join(stop.text for stop in stops))


@dataclass(frozen=True)
class StopRule:
    """One row of the table.

    Attributes
    ----------
    ends : {"everything", "charging"}
    find : callable
        Returns the sentence of what was found, or None.
    needs_pack : bool
        Whether what to do instead is to replace the pack.
    """

    code: str
    ends: Ends
    find: Callable[[Known], Said | None]
    instead: Said
    source: str
    needs_pack: bool = False

    @property
    def by_look(self) -> bool:
        """Whether a look noted with a later reading can lift it: its own words say so."""
        return "(inspected)" in self.instead

    @property
    def by_cells(self) -> bool:
        """Whether only a measurement of its cells can, noted likewise."""
        return self.by_look and "cells were measured" in self.instead
