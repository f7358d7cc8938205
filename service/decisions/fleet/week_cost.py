"""What another week's wait costs, as the database reckons it, and which scores can be among the next by it.

Costs come with the question, so no index is in their order. The chance of a return has one, and tells the cost to
within what a new pack's capital costs in a week: it lies unneeded for no longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.decisions.fleet_costs import WEEK_DAYS
from service.store.schema import Score

_ROUNDING: Final = 1e-9
"""Share of the amounts by which limits are moved outward: far above what a double rounds off, and too little to cost
anything."""


@dataclass(frozen=True)
class WeekCost:
    """The cost of a week's wait: ``dearer`` times the chance, less ``capital`` times the days a pack lies unneeded.

    Attributes
    ----------
    dearer : float
        What a return costs more than a planned replacement; below 0 where it costs less.
    capital : float
        A day, 0 or more.
    """

    dearer: float
    capital: float

    @property
    def column(self) -> Any:
        """The cost of a score."""
        return Score.week_return * self.dearer - Score.week_wait_days * self.capital

    def within(self, low: float, high: float) -> list[Any]:
        """Return conditions on the chance that every score meets whose cost lies between two amounts."""
        slack = _ROUNDING * (abs(self.dearer) + WEEK_DAYS * self.capital)
        ends = (low - slack) / self.dearer, (high + WEEK_DAYS * self.capital + slack) / self.dearer
        least, most = sorted(ends)
        return [
            *([Score.week_return >= least] if isfinite(least) else []),
            *([Score.week_return <= most] if isfinite(most) else []),
        ]

    def next_ones(
        self, session: Session, conditions: Sequence[Any], after: float | None, count: int, *, down: bool
    ) -> list[Any]:
        """Return conditions that the next so many by cost meet, and few others, beside those that all have to meet.

        So many of the highest chance (or the lowest) are looked at first: none of the next costs less than the
        cheapest of these (or more than the dearest).

        Parameters
        ----------
        conditions : sequence of SQL conditions on `Score`
            Met by all that are asked for.
        after : float or None
            Cost behind which they come.
        down : bool
            Whether the costliest come first.
        """
        if not self.dearer:
            return []
        low, high = -inf, inf
        if after is not None:
            low, high = (low, after) if down else (after, high)
        chance = Score.week_return.desc() if down == (self.dearer > 0) else Score.week_return
        likely = select(self.column).where(*conditions, *self.within(low, high)).order_by(chance).limit(count)
        costs = session.scalars(likely).all()
        if len(costs) == count:
            low, high = (min(costs), high) if down else (low, max(costs))
        return self.within(low, high)
