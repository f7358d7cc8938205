"""The few phrases that sentences about risk are made of."""

from __future__ import annotations

import math

from models.base.messages import Said, say


def in_100(chance: float) -> Said:
    """Say a chance as a count among a hundred, never as a certainty.

    Rounded down, so that a chance of holding is never flattered.

    Examples
    --------
    >>> in_100(0.836), in_100(0.999), in_100(1.0), in_100(0.004)
    ('83 in 100', '99 in 100', 'more than 99 in 100', 'fewer than 1 in 100')
    """
    hundredths = math.floor(100 * chance + 1e-9)
    if hundredths >= 100:
        return say("more than 99 in 100")
    return say("%(count)s in 100", count=hundredths) if hundredths else say("fewer than 1 in 100")


def at_the_start(chance: Said) -> Said:
    """Say a chance of `in_100` where a sentence begins.

    Examples
    --------
    >>> at_the_start(in_100(0.836)), at_the_start(in_100(0.004)), at_the_start(in_100(1.0))
    ('About 83 in 100', 'Fewer than 1 in 100', 'More than 99 in 100')
    """
    begun = {"fewer than 1 in 100": say("Fewer than 1 in 100"), "more than 99 in 100": say("More than 99 in 100")}
    return begun.get(str(chance)) or say("About %(chance)s", chance=chance)


def in_100_between(low: float, high: float) -> Said:
    """Say a range of chances.

    Examples
    --------
    >>> in_100_between(0.57, 0.705), in_100_between(0.991, 0.999)
    ('57 to 70 in 100', '99 in 100')
    """
    least, most = in_100(low), in_100(high)
    if least == most:
        return least
    hundredths = math.floor(100 * low + 1e-9)
    if hundredths:
        return say("%(least)s to %(most)s", least=hundredths, most=most)
    return say("fewer than 1 to %(most)s", most=most)
