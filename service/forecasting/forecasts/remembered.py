"""Answers that took long, kept for whoever asks the same again: a sheet is looked at, printed and handed over."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Any, Final, TypeVar
from weakref import WeakKeyDictionary

from models.forecaster import Forecaster

Told = TypeVar("Told")

KEPT: Final = 64
"""Answers kept of each model, those asked for last: some ten kilobytes each. Our choice."""

_KEPT_BY: Final[WeakKeyDictionary[Forecaster, OrderedDict[Hashable, Any]]] = WeakKeyDictionary()
_LOCK: Final = Lock()


def remembered(forecaster: Forecaster, asked: Hashable, make: Callable[[], Told]) -> Told:
    """Return what a model answered to the same question before, or answer it.

    Parameters
    ----------
    asked : hashable
        Everything that the answer depends on, the model aside. What is raised is raised anew each time.
    make : callable
        Answers it. What it returns is shared, and not to be changed.
    """
    with _LOCK:
        kept = _KEPT_BY.setdefault(forecaster, OrderedDict())
        if asked in kept:
            kept.move_to_end(asked)
            return kept[asked]  # type: ignore[no-any-return]
    made = make()
    with _LOCK:
        kept[asked] = made
        while len(kept) > KEPT:
            kept.popitem(last=False)
    return made
