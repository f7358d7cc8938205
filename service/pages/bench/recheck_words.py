"""The table of a recheck plan in words: on the page and on the release sheet alike."""

from __future__ import annotations

from dataclasses import dataclass

from service.core.translation import _
from service.forecasting.forecasts.sentences import promised
from service.forecasting.recheck.schemas import ReadingRow


@dataclass(frozen=True)
class RecheckRow:
    """One row: what is read, and what it will then mean."""

    reads: str
    good_for: str
    week: str
    fortnight: str
    of_100: str


def recheck_row(row: ReadingRow) -> RecheckRow:
    """Write a row of the table."""
    if row.stop:
        good = _("do not drive on")
    elif row.beyond_horizon:
        good = _("beyond the horizon")
    else:
        good = _("%(days)s days") % {"days": promised(row.good_for_days)}
    return RecheckRow(
        reads=_reads(row.low_mv, row.high_mv),
        good_for=good,
        week=f"{100 * row.return_7:.0f}%",
        fortnight=f"{100 * row.return_14:.0f}%",
        of_100=f"{100 * row.share:.0f}",
    )


def _reads(low: float | None, high: float | None) -> str:
    """Say a span of mV below the median without a minus sign: what is above, is called so."""
    if low is None and high is None:
        return _("whatever it reads")
    if low is None:
        return (
            _more(high, above=True) if high is not None and high <= 0 else _("up to %(side)s") % {"side": _side(high)}
        )
    if high is None:
        return _more(low, above=False) if low >= 0 else _("lower than %(side)s") % {"side": _side(low)}
    return _("%(low)s to %(high)s") % {"low": _side(low), "high": _side(high)}


def _more(edge: float, *, above: bool) -> str:
    words = _("more than %(mv)s mV above") if above else _("more than %(mv)s mV below")
    return words % {"mv": f"{abs(edge):g}"}


def _side(edge: float | None) -> str:
    if not edge:
        return _("level")
    return (_("%(mv)s mV above") if edge < 0 else _("%(mv)s mV below")) % {"mv": f"{abs(edge):g}"}
