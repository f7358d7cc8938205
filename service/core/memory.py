"""How memory is looked after while very many things are made at once."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def without_collection() -> Iterator[None]:
    """Do not look for rubbish in cycles while the block runs.

    What is made of some thousand packs is a million values of which none is rubbish before the end, and goes by itself
    then. Looking through them again and again took a quarter of the time.
    """
    collected = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collected:
            gc.enable()
            gc.collect(0)  # what was made meanwhile, and is held by nothing but itself
