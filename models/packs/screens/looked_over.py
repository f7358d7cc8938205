"""Packs at which a look, a code or a thermometer may have found what ends the job."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Bools
from models.packs.screens.look import Look
from models.packs.stops.heat import HOTTEST_PACK_C
from models.packs.trouble_codes import ISOLATION


def hot(look: Look) -> Bools:
    """Find packs read at or past the hottest that is safe."""
    return look.any_of(look.reading_pack, look.number("temperature_c") >= HOTTEST_PACK_C)


def damaged(look: Look) -> Bools:
    """Find packs at which damage was seen."""
    seen = look.tables.words("readings", "inspected") == "damaged"
    return look.any_of(look.reading_pack, np.asarray(seen, dtype=np.bool_))


def isolation(look: Look) -> Bools:
    """Find packs with the code of lost isolation, in a reading or an outcome."""
    noted = look.any_of(look.reading_pack, _is_code(look.tables.words("readings", "code"), ISOLATION))
    return noted | look.any_of(look.outcome_pack, _is_code(look.tables.words("outcomes", "code"), ISOLATION))


def _is_code(words: NDArray[np.object_], code: str) -> Bools:
    place, known = pd.factorize(words)  # a word is asked of once, however many rows hold it
    return np.array([*(str(word).upper() == code for word in known), False], dtype=np.bool_)[place]
