"""What a stop is, and what a row of their table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from models.base.errors import TideoverError
from models.base.messages import Said
from models.packs.family import PackFamily
from models.packs.ledger import BY_READING, Standing, standing_of
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
    standing : Standing
        What it is a fact of, and what ends it.
    needs_pack : bool
        Whether what to do instead is to replace the pack.
    """

    code: str
    ends: Ends
    text: str
    instead: str
    source: str
    standing: Standing = BY_READING
    needs_pack: bool = False

    @property
    def by_look(self) -> bool:
        """Whether a look noted with a later reading can lift it."""
        return self.standing.by_look


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

    def standing(self, family: PackFamily) -> Standing:
        """Return what it is a fact of, and what ends it, for the cells of a family."""
        return standing_of(self.code, family.chemistry)
