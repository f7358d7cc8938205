"""Packs whose history may be refused: a value, a row, or the history as a whole."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import pandas as pd
from pydantic import BaseModel

from models.base.arrays import Bools, Floats
from models.packs.fields import bounds_of, columns_of, may_be
from models.packs.history import MAX_BLOCK_MOHM, MAX_BLOCK_V, PackHistory
from models.packs.screens.look import DAYS_MEANT, SLACK, Look
from models.packs.tables import (
    FACTS,
    list_of,
    to_days,
)

_WORSE: Final[Mapping[str, Callable[[Floats, float], Bools]]] = {
    "ge": np.less,
    "gt": np.less_equal,
    "le": np.greater,
    "lt": np.greater_equal,
}


def nothing_begun(look: Look) -> Bools:
    """Find packs of which nothing is read or charged yet."""
    begun = np.zeros(len(look.which) + 1, dtype=np.bool_)
    begun[look.reading_pack] = begun[look.topup_pack] = True
    return np.asarray(~begun[:-1])


def may_be_refused(look: Look) -> Bools:
    """Whether a value, a row or a history as a whole may be refused (`PackHistory`, `family_problems`)."""
    tables, count = look.tables, len(look.which)
    ids, family = (tables.packs[c].to_numpy(dtype=object) for c in ("pack_id", "family"))
    longest = np.array([len(i) if isinstance(i, str) else 0 for i in ids])
    found = (look.which < 0) | (longest < 1) | (longest > 64) | (pd.Series(family).isna().to_numpy())
    found |= _out_of_bounds(PackHistory, tables.packs)
    for name, fact in FACTS.items():
        frame: pd.DataFrame = getattr(tables, name)
        places = tables.codes(name)
        bad = _out_of_bounds(fact, frame)
        if name != "usage":
            bad |= frame["time"].isna().to_numpy()
        found |= look.any_of(places, bad)
    found |= nothing_begun(look)
    found |= look.any_of(look.reading_pack, _unsound_readings(look))
    found |= look.any_of(look.topup_pack, _unsound_topups(look))
    places = look.outcome_pack
    kinds = tables.outcomes["kind"].isin(("returned", "replaced", "retired", "running")).to_numpy()
    first = np.full(count + 1, np.inf)
    np.minimum.at(first, look.topup_pack, look.topup_day)
    first[-1] = np.inf
    return np.asarray(found | look.any_of(places, ~kinds | ~(look.outcome_day >= first[places])))


def _out_of_bounds(fact: type[BaseModel], frame: pd.DataFrame) -> Bools:
    bad = np.zeros(len(frame), dtype=np.bool_)
    for column in columns_of(fact, without=frozenset(FACTS)):
        if column.kind == "number" and column.name in frame:
            values = frame[column.name].to_numpy(np.float64, na_value=np.nan)
            bad |= np.isinf(values)
            for sign, limit in bounds_of(fact, column.name):
                bad |= _WORSE[sign](values, limit)
        elif column.kind == "text" and column.name in frame and column.name not in ("pack_id", "family"):
            # A word is asked of once, however many rows hold it.
            place, words = pd.factorize(frame[column.name])
            wrong = np.array([*(not may_be(fact, column.name, word) for word in words), False])
            bad |= wrong[place]
        elif column.kind == "time" and column.name in frame:
            day = to_days(frame[column.name])
            bad |= (day < DAYS_MEANT[0]) | (day >= DAYS_MEANT[1])
    return bad


def _unsound_readings(look: Look) -> Bools:
    cells, blocks = look.of_reading(lambda f: f.cells_per_block), look.of_reading(lambda f: f.blocks)
    most = 1.25 * look.of_reading(lambda f: f.max_cell_v) * cells
    current, lowest = look.number("current_a"), look.ordered[:, 0]
    bad = (look.read < 2) | (look.highest > np.minimum(most, MAX_BLOCK_V) - SLACK)
    bad |= (lowest < -0.5 * cells + SLACK) | (lowest < -MAX_BLOCK_V)
    bad |= (look.state("discharge") & (current < 0)) | (look.state("charge") & (current > 0))
    bad |= ~(look.state("rest") | look.state("discharge") | look.state("charge")) | np.isinf(look.volts).any(axis=1)
    bad |= _unsound_resistances(look, blocks)
    code, stored = (look.tables.words("readings", name) for name in ("code", "code_state"))
    bad |= ~pd.isna(code) != (~pd.isna(stored) & (stored != "none"))
    width = look.volts.shape[1]
    beyond = blocks < width
    if beyond.any():
        place = np.arange(1, width + 1)
        bad[beyond] |= (~np.isnan(look.volts[beyond]) & (place > blocks[beyond, None])).any(axis=1)
    return np.asarray(bad | (blocks > width))


def _unsound_resistances(look: Look, blocks: Floats) -> Bools:
    told = look.tables.words("readings", "resistance_mohm")
    bad = np.zeros(len(told), dtype=np.bool_)
    for row in np.flatnonzero(~pd.isna(told)):
        values = list_of(told[row])
        bad[row] = (
            isinstance(values, str)
            or len(values) != blocks[row]
            or any(value is not None and not 0 <= value <= MAX_BLOCK_MOHM for value in values)
        )
    return bad


def _unsound_topups(look: Look) -> Bools:
    text = look.tables.topups["blocks"].to_numpy(dtype=object)
    known, place = np.unique([str(t) for t in text], return_inverse=True)
    highest, twice = np.full(len(known), np.inf), np.ones(len(known), dtype=np.bool_)
    for row, written in enumerate(known):
        parts = written.split(" ")
        if all(p.isascii() and p.isdigit() and p[0] != "0" for p in parts):
            highest[row], twice[row] = max(map(int, parts)), len(set(parts)) < len(parts)
    most = look.of_topup(lambda f: 1.25 * f.max_cell_v * f.cells_per_block)
    least = look.of_topup(lambda f: -0.5 * f.cells_per_block)
    bad = twice[place] | (highest[place] > look.of_topup(lambda f: f.blocks))
    for name in ("end_v", "rest_before_v", "rest_after_v"):
        bad |= (look.charge(name) > np.minimum(most, MAX_BLOCK_V) - SLACK) | (look.charge(name) < least + SLACK)
    return np.asarray(bad)
