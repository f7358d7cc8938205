"""Sentences that remember what they were made from, so that another room can say them in another language.

Here they are English and nothing else: strings like any other.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Self


class Said(str):
    """A sentence, or a part of one, with its pattern and what was put into it.

    Parameters
    ----------
    pattern : str
        With a place such as ``%(days)s`` for each value; a per cent sign is written ``%%``.
    values : mapping of str to object
        By name. Figures come as they are printed, parts of the sentence as `Said`.
    many : str, optional
        The pattern where the count is not 1.
    number : int
        What decides between the two patterns.

    Attributes
    ----------
    pattern, values, many, number
    """

    pattern: str
    values: Mapping[str, object]
    many: str | None
    number: int

    def __new__(  # noqa: D102  told of the class
        cls, pattern: str, values: Mapping[str, object], many: str | None = None, number: int = 1
    ) -> Self:
        self = super().__new__(cls, (pattern if many is None or number == 1 else many) % values)
        self.pattern, self.values, self.many, self.number = pattern, values, many, number
        return self

    def __getnewargs__(self) -> tuple[Any, ...]:
        return self.pattern, self.values, self.many, self.number


def say(pattern: str, **values: object) -> Said:
    """Return a sentence.

    Examples
    --------
    >>> say("About %(charge)s Ah is missing.", charge=f"{0.84:.1f}")
    'About 0.8 Ah is missing.'
    """
    return Said(pattern, values)


def say_count(one: str, many: str, number: int, **values: object) -> Said:
    """Return a sentence whose form hangs on a count.

    Examples
    --------
    >>> say_count("%(days)s day", "%(days)s days", 1, days=1)
    '1 day'
    """
    return Said(one, values, many, number)


def say_together(*parts: str) -> Said:
    """Return several sentences as one text.

    Examples
    --------
    >>> say_together(say("It is short."), say("Charge it."))
    'It is short. Charge it.'
    """
    names = [f"part_{place}" for place in range(len(parts))]
    return Said(" ".join(f"%({name})s" for name in names), dict(zip(names, parts, strict=True)))
