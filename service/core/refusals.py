"""What can stand in the way of a write, or of finding a record, besides wrong input."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Final

from models.base.errors import BadInput, Problem, TideoverError

WHATEVER: Final = "*"
"""Says beforehand that whatever is asked about is right."""


class NoSuchRecord(TideoverError):
    """There is no record of that name or number."""


class NamesItsVehicle(NoSuchRecord):
    """There is no pack of that name, but one sits in the vehicle that has it.

    Attributes
    ----------
    pack_id : str
        The pack that sits there.
    """

    def __init__(self, said: str, pack_id: str) -> None:
        self.pack_id = pack_id
        super().__init__(said)


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


class WrongAndDoubtful(BadInput):
    """Something is wrong, and something else looks like a slip: all of it is told in one answer.

    Attributes
    ----------
    sure : str
        As of `Doubtful`, for the doubts among the problems; empty without one.
    """

    def __init__(self, wrong: Sequence[Problem], doubts: Sequence[Problem]) -> None:
        self.sure = sure_of(doubts)
        super().__init__([*wrong, *doubts])


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


def require_right(wrong: Sequence[Problem], doubts: Sequence[Problem], said: str) -> None:
    """Refuse what is wrong, and ask about doubts that nobody has confirmed, all at once.

    Parameters
    ----------
    said : str
        What was sent along, several apart by spaces.

    Raises
    ------
    WrongAndDoubtful, Doubtful
    """
    # What is wrong at a field may be why it looks like a slip.
    wrong_at = {problem.where for problem in wrong}
    doubts = [doubt for doubt in doubts if doubt.where not in wrong_at]
    asked = doubts if unconfirmed(doubts, said) else ()
    if wrong:
        raise WrongAndDoubtful(wrong, asked)
    if asked:
        raise Doubtful(asked)
