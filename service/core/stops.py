"""What ends a job, as it is told on every door: the facts, what to do instead, the cautions, and no figure."""

from __future__ import annotations

from typing import Self

from pydantic import BaseModel, Field

from models.packs.stops import Ends, Stopped
from service.core.cautions import all_cautions
from service.core.translation import _


class ToldStop(BaseModel):
    """One fact that ends the job until something else is done."""

    code: str = Field(description="Short and stable.", examples=["cell-down"])
    ends: Ends = Field(description="Whether it ends everything or charging alone.")
    text: str = Field(description="What was found, in a sentence.")
    instead: str = Field(description="What to do instead.")
    source: str = Field(description="Where the rule comes from.")
    by_look: bool = Field(description="Whether a look noted with a later reading (`inspected`) can lift it.")
    needs_pack: bool = Field(description="Whether the pack has to be replaced: order another one today.")


class ToldStops(BaseModel):
    """Everything that ends a job, the most pressing first, with the cautions that go with it."""

    stops: list[ToldStop]
    cautions: list[str]

    @classmethod
    def of(cls, error: Stopped) -> Self:
        """Return it in the language spoken."""
        stops = [
            ToldStop(
                code=s.code,
                ends=s.ends,
                text=_(s.text),
                instead=_(s.instead),
                source=s.source,
                by_look=s.by_look,
                needs_pack=s.needs_pack,
            )
            for s in error.stops
        ]
        return cls(stops=stops, cautions=all_cautions(error.family.chemistry))

    def lines(self) -> list[str]:
        """Say each stop in one line, then once each what to do instead."""
        said = [_("STOP: %(what)s") % {"what": stop.text} for stop in self.stops]
        return said + list(dict.fromkeys(stop.instead for stop in self.stops))
