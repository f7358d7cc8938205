"""The last day to order, in one sentence: the same over REST, on the command line, on the pages and in the calendar."""

from __future__ import annotations

from datetime import date

from service.core.translation import _


def last_day_said(latest_on: date | None, today: date) -> str:
    """Say until when an order keeps to the risk, or that it is too late for that already.

    Parameters
    ----------
    latest_on : date or None
        None where even an order placed today runs a higher risk.
    """
    if latest_on is None:
        return _(
            "Too late already: order now. The chance that the fault is back before the pack comes is above the risk "
            "chosen on every day."
        )
    if latest_on <= today:
        return _("Order today: it is the last day that keeps to the risk chosen.")
    return _("Order by %(day)s: it is the last day that keeps to the risk chosen.") % {"day": latest_on.isoformat()}
