"""What can stand in the way of a write, or of finding a record, besides wrong input."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Final

from models.base.errors import Problem, TideoverError

WHATEVER: Final = "*"
"""Says beforehand that whatever is asked about is right."""


class NoSuchRecord(TideoverError):
    """There is no record of that name or number."""


class Conflict(TideoverError):
    """The write is sound in itself, but what is stored already speaks against it."""


class Outdated(TideoverError):
    """The record has changed since the caller read it."""


class Doubtful(TideoverError):
    """What was written may be right, but looks like a slip: nothing is stored before somebody says that it is right.

    Attributes
    ----------
    sure : str
        What is sent along to say that exactly these are right, a word for each; other doubts ask again.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        self.sure = sure_of(problems)
        super().__init__(" ".join(map(str, problems)))


def sure_of(doubts: Sequence[Problem]) -> str:
    """Return what says that somebody has confirmed exactly these doubts: one word for each, apart by spaces.

    Where a doubt stands plays no part: on a page a field has another name than in a record.
    """
    words = (hashlib.sha256(str(doubt.what).encode()).hexdigest()[:16] for doubt in doubts)
    return " ".join(dict.fromkeys(words))


def unconfirmed(doubts: Sequence[Problem], said: str) -> bool:
    """Return whether there is a doubt that nobody has confirmed by what was sent along."""
    words = set(said.split())
    return WHATEVER not in words and not set(sure_of(doubts).split()) <= words


def require_sure(doubts: Sequence[Problem], said: str) -> None:
    """Ask about doubts that nobody has confirmed.

    Parameters
    ----------
    said : str
        What was sent along, several apart by spaces.

    Raises
    ------
    Doubtful
    """
    if unconfirmed(doubts, said):
        raise Doubtful(doubts)
