"""What the drawings of the pages share: round scales, labels moved apart, and values that are told when pointed at."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

WIDTH: Final = 400
"""Drawn for the width of a telephone, so that its words can be read there."""

STRIP: Final = 40
"""Kept free above a drawing for the value that is pointed at."""

LINE: Final = 15
"""Least distance of two lines of words."""


@dataclass(frozen=True)
class Spot:
    """Something in a drawing that can be pointed at or reached with the keyboard, and then says its value.

    Attributes
    ----------
    x, y, width, height : float
        Where it can be pointed at.
    says : tuple of str
        One or two short lines.
    """

    x: float
    y: float
    width: float
    height: float
    says: tuple[str, ...]


def scale(low: float, high: float, begin: float, end: float, digits: int = 1) -> Callable[[float], float]:
    """Return where a value stands on a scale that runs from one end of a drawing to the other.

    Parameters
    ----------
    low, high : float
        Values at the two ends, low below high.
    begin, end : float
        Where these stand; upward scales begin at the foot of a drawing.
    digits : int
        Of a place, behind the point: none where many are written and part of a pixel is not seen.

    Examples
    --------
    >>> scale(0, 10, 100, 20)(2.5)
    80
    """
    return lambda value: place(begin + (end - begin) * (value - low) / (high - low), digits)


def place(where: float, digits: int = 1) -> float:
    """Return a place in a drawing to the tenth; a whole one as an integer, as it is written in fewer signs."""
    rounded = round(where, digits)
    return int(rounded) if rounded == int(rounded) else rounded


def signed(volts: float, digits: int = 3) -> str:
    """Write a deviation with its sign; what rounds to nothing has none.

    Parameters
    ----------
    volts : float
        In V.
    digits : int
        Behind the point: three are millivolts.

    Examples
    --------
    >>> signed(-0.16), signed(0.3449, 2), signed(-0.0004)
    ('−0.160', '+0.34', '0.000')
    """
    rounded = round(volts, digits)
    return f"{rounded:+.{digits}f}".replace("-", "−") if rounded else f"{0:.{digits}f}"


def in_round_volts(volts: float) -> str:
    """Write a round number of a scale of deviations; the unit stands at zero.

    Examples
    --------
    >>> in_round_volts(-0.2), in_round_volts(0.0)
    ('−0.2', '0 V')
    """
    return f"{volts:+g}".replace("-", "−") if volts else "0 V"


def reaches(places: Sequence[float], begin: float, end: float) -> list[tuple[float, float]]:
    """Share a stretch out among places in it: each reaches half way to its neighbours.

    Parameters
    ----------
    places : sequence of float
        In rising order.
    begin, end : float
        Ends of the stretch.

    Returns
    -------
    list of (begin, width)

    Examples
    --------
    >>> reaches([10, 20, 40], 5, 40)
    [(5, 10), (15, 15), (30, 10)]
    """
    edges = [begin, *(0.5 * (one + other) for one, other in pairwise(places)), end]
    return [(place(one), place(other - one)) for one, other in pairwise(edges)]


def round_ticks(low: float, high: float, most: int) -> list[float]:
    """Return round numbers for a scale: multiples of 1, 2 or 5 times a power of ten.

    Parameters
    ----------
    low, high : float
        Ends of what is drawn, low below high.
    most : int
        That are told apart on the drawing, at least 2.

    Returns
    -------
    list of float
        From the last round number at or below `low` to the first at or above `high`.

    Examples
    --------
    >>> round_ticks(1702, 2679, 5)
    [1500.0, 2000.0, 2500.0, 3000.0]
    """
    power = 10.0 ** math.floor(math.log10((high - low) / (most - 1)))
    for step in (power, 2 * power, 5 * power, 10 * power, 20 * power):
        first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
        if last - first + 1 <= most:
            break
    return [round(step * number, 10) for number in range(first, last + 1)]


def moved_apart(places: Sequence[float], lowest: float, least: float = LINE) -> list[float]:
    """Move labels apart that would stand on each other.

    Parameters
    ----------
    places : sequence of float
        From top to bottom.
    lowest : float
        Where the last of them may stand.

    Returns
    -------
    list of float
        In the same order.
    """
    moved: list[float] = []
    for place in places:
        moved.append(place if not moved else max(place, moved[-1] + least))
    for number in range(len(moved) - 1, -1, -1):
        below = lowest if number == len(moved) - 1 else moved[number + 1] - least
        moved[number] = round(min(moved[number], below), 1)
    return moved
