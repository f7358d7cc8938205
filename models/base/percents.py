"""The one way in which a share is written in per cent, for sentences, pages, tables and reports alike."""

from __future__ import annotations

import math

from models.base.messages import Said, say


def percent(share: float, digits: int = 0) -> Said:
    """Write a share in per cent, to the nearest.

    Parameters
    ----------
    digits : int
        Behind the point.

    Examples
    --------
    >>> percent(0.736), percent(0.9972, 1)
    ('74%', '99.7%')
    """
    return say("%(number)s%%", number=f"{100 * share:.{digits}f}")


def level_percent(level: float) -> Said:
    """Write a chosen level in per cent, as it was chosen: rounding would make 99.9 a certainty.

    Examples
    --------
    >>> level_percent(0.9), level_percent(0.999), level_percent(0.005)
    ('90%', '99.9%', '0.5%')
    """
    return say("%(number)s%%", number=f"{100 * level:.10g}")


def risk_percent(chance: float) -> Said:
    """Write a risk in per cent, rounded up so that it is never played down.

    Examples
    --------
    >>> risk_percent(0.161), risk_percent(0.0002), risk_percent(0.9999)
    ('17%', 'under 1%', 'more than 99%')
    """
    if chance < 0.01:
        return say("under %(share)s", share=percent(0.01))
    hundredths = math.ceil(100 * chance - 1e-9)
    return percent(hundredths / 100) if hundredths < 100 else say("more than %(share)s", share=percent(0.99))
