"""How far the topped-up block is from its peers, in the ampere-hours of the top-up plan: told where one explains."""

from __future__ import annotations

from models.forecasts.standing import BLOCK_HIGH
from models.forecasts.withheld import UNREAD_AFTER
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.topup.missing_charge import MissingCharge
from models.topup.reckoning import missing_when_last_read, worth_putting_in
from service.core.translation import _
from service.forecasting.forecasts.schemas import BlockState, ForecastFigures
from service.forecasting.forecasts.sentences import UNREAD_FOR_LONG


def block_state(history: PackHistory, family: PackFamily, figures: ForecastFigures) -> BlockState | None:
    """Reckon what the topped-up block lacks; None where no reading tells, or nothing is put in by hand."""
    if figures.block is None or {flag.code for flag in figures.flags} & {UNREAD_AFTER, *UNREAD_FOR_LONG, BLOCK_HIGH}:
        return None
    missing = missing_when_last_read(history, family, figures.block, figures.origin)
    if missing is None:
        return None
    told = missing.missing_ah
    return BlockState(best=told.best, low=told.low, high=told.high, sentence=_said(missing, family))


def _said(missing: MissingCharge, family: PackFamily) -> str:
    told = missing.missing_ah
    words = {"block": missing.block, "above": f"{-told.best:.1f}", "short": f"{told.best:.1f}"}
    words |= {"low": f"{max(told.low, 0.0):.1f}", "high": f"{told.high:.1f}"}
    if worth_putting_in(family, missing):
        said = _(
            "Block %(block)s is still short of its peers by about %(short)s Ah; nine times in ten between %(low)s and "
            "%(high)s Ah."
        )
        return said % words
    if told.high < 0:
        return _("Block %(block)s stands about %(above)s Ah above its peers.") % words
    return _("Block %(block)s is about level with its peers.") % words
