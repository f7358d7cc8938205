"""The table of a recheck plan in words: on the page and on the release sheet alike."""

from __future__ import annotations

from dataclasses import dataclass

from models.base.percents import risk_percent
from service.core.translation import _
from service.forecasting.forecasts.sentences import count_days
from service.forecasting.recheck.schemas import ReadingRow
from service.forecasting.recheck.sentences import reads_words


@dataclass(frozen=True)
class RecheckRow:
    """One row: what is read, and what it will then mean."""

    reads: str
    good_for: str
    week: str
    fortnight: str
    of_100: str


def _returned(chance: float | None) -> str:
    return _("not known") if chance is None else _(risk_percent(chance))


def recheck_row(row: ReadingRow) -> RecheckRow:
    """Write a row of the table."""
    if row.stop:
        good = _("do not drive on")
    elif row.beyond_horizon:
        good = _("past the forecast's end")
    else:
        good = count_days(row.good_for_days)
    return RecheckRow(
        reads=reads_words(row.low_mv, row.high_mv),
        good_for=good,
        week=_returned(row.return_7),
        fortnight=_returned(row.return_14),
        of_100=f"{100 * row.share:.0f}",
    )
