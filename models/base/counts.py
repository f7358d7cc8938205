"""Counts with their nouns, one form for 1 and one for the others: every sentence that counts takes them from here.

Examples
--------
>>> days(1), days(9), vehicles(1), cells(12)
('1 day', '9 days', '1 vehicle', '12 cells')
"""

from __future__ import annotations

from models.base.messages import Said, say_count


def days(count: float) -> Said:
    """Say a number of days, rounded."""
    return say_count("%(days)s day", "%(days)s days", round(count), days=f"{count:.0f}")


def hours(count: float) -> Said:
    """Say a number of hours, as exact as it is."""
    return say_count("%(num)s hour", "%(num)s hours", _form(count), num=f"{count:g}")


def minutes(count: float) -> Said:
    """Say a number of minutes, rounded."""
    return say_count("%(num)s minute", "%(num)s minutes", round(count), num=f"{count:.0f}")


def years(count: float) -> Said:
    """Say a number of years, as exact as it is."""
    return say_count("%(num)s year", "%(num)s years", _form(count), num=f"{count:g}")


def blocks(count: int) -> Said:
    """Say a number of blocks."""
    return say_count("%(num)s block", "%(num)s blocks", count, num=f"{count:,}")


def cells(count: int) -> Said:
    """Say a number of cells."""
    return say_count("%(num)s cell", "%(num)s cells", count, num=f"{count:,}")


def packs(count: int) -> Said:
    """Say a number of packs."""
    return say_count("%(num)s pack", "%(num)s packs", count, num=f"{count:,}")


def logs(count: int) -> Said:
    """Say a number of drive logs."""
    return say_count("%(num)s drive log", "%(num)s drive logs", count, num=f"{count:,}")


def vehicles(count: int) -> Said:
    """Say a number of vehicles."""
    return say_count("%(num)s vehicle", "%(num)s vehicles", count, num=f"{count:,}")


def topups(count: int) -> Said:
    """Say a number of top-ups."""
    return say_count("%(num)s top-up", "%(num)s top-ups", count, num=f"{count:,}")


def returns(count: int) -> Said:
    """Say a number of returns."""
    return say_count("%(num)s return", "%(num)s returns", count, num=f"{count:,}")


def forecasts(count: int) -> Said:
    """Say a number of forecasts."""
    return say_count("%(num)s forecast", "%(num)s forecasts", count, num=f"{count:,}")


def cases(count: int) -> Said:
    """Say a number of cases."""
    return say_count("%(num)s case", "%(num)s cases", count, num=f"{count:,}")


def moments(count: int) -> Said:
    """Say a number of moments of packs' histories."""
    return say_count("%(num)s moment", "%(num)s moments", count, num=f"{count:,}")


def outcomes(count: int) -> Said:
    """Say a number of outcomes."""
    return say_count("%(num)s outcome", "%(num)s outcomes", count, num=f"{count:,}")


def rows(count: int) -> Said:
    """Say a number of rows."""
    return say_count("%(num)s row", "%(num)s rows", count, num=f"{count:,}")


def columns(count: int) -> Said:
    """Say a number of columns."""
    return say_count("%(num)s column", "%(num)s columns", count, num=f"{count:,}")


def _form(count: float) -> int:
    return 1 if count == 1 else 2
