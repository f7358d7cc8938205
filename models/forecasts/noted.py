"""What is noted beside the features, of many packs: the newest top-up's words, heat, codes, what came after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Bools, Floats
from models.forecasts.after_charge import after_charge, before_charge
from models.forecasts.charged_again import ChargedAgain, charged_again
from models.forecasts.controller import spread_contradicted, told_by_controller
from models.forecasts.forecast import Flag
from models.forecasts.inputs import newest_reading_gap_days
from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.not_risen import NotRisen, not_risen
from models.forecasts.standing import standing
from models.forecasts.unread_blocks import mostly_unread, unread_blocks
from models.forecasts.volts_against import volts_against
from models.forecasts.warmth import frost_near_charge, warmth_read
from models.packs.tables import HistoryTables

LEVEL_MV_PER_CELL: Final = 4.0
"""A topped block this near the median or above it reads level. Twice a fair meter's error on 12 cells. Invented."""


@dataclass(frozen=True, eq=False)
class Noted:
    """What is noted of n packs beside the features.

    Attributes
    ----------
    gap_days : array, shape (n,)
        Days between the newest reading and the origin; NaN without a reading.
    put_in_ah : array, shape (n,)
        Charge of the newest top-up; NaN where it was not noted.
    rest_c : array, shape (n,)
        Temperature of the pack in the newest reading at rest that notes it, °C; NaN where none does.
    last_c : array, shape (n,)
        The same of the newest reading in any state that notes it.
    warmest_c : array, shape (n,)
        The highest in any state since the visit of the newest charge that nobody has looked at since, °C; likewise.
    early_look_h : array, shape (n,)
        Hours after that at which somebody looked, too early to count; NaN where nobody did.
    frost_c : array, shape (n,)
        Below 0, read nearest to a newest charge at which nobody read it, °C (`models.forecasts.warmth`); else NaN.
    end_v : array, shape (n,)
        Of the newest top-up, V; NaN where it was not noted.
    after_v, read_after_v : array, shape (n,)
        Rest voltage of its block as noted with it, and as first read at rest within a day and a half, V; NaN without.
    after_apart_v : array, shape (n,)
        By how much the two may differ, V: what a block falls as its hysteresis decays. NaN where they do not compare.
    before_v, read_before_v : array, shape (n,)
        Rest voltage of its block as noted before the charge, and as last read at rest within a day and a half, V.
    before_apart_v : array, shape (n,)
        As `after_apart_v`; NaN also where another charge lies between.
    end_v_at, charged_part, also_done : object array, shape (n,)
        Of the newest top-up; a word, or what counts as missing.
    code, code_state, figures, resistances
        `models.forecasts.controller.told_by_controller`.
    not_risen : dict of int to list of NotRisen
        Blocks that were charged and did not rise, by place (`models.forecasts.not_risen`).
    charged_again : dict of int to list of ChargedAgain
        Blocks that are noted as charged twice, likewise (`models.forecasts.charged_again`).
    charge_unread : bool array, shape (n,)
        Whether nobody read how warm the pack was at the newest charge, or looked it over since.
    unread : dict of int to list of Flag
        Charged blocks that the newest readings leave out, likewise (`models.forecasts.unread_blocks`).
    standing : dict of int to list of Flag
        What was read or done at any time and is still to be looked at, likewise (`models.forecasts.standing`).
    looked_since : bool array, shape (n,)
        Whether somebody looked the pack over after its newest charge, late enough to count.
    """

    gap_days: Floats
    put_in_ah: Floats
    rest_c: Floats
    last_c: Floats
    warmest_c: Floats
    early_look_h: Floats
    frost_c: Floats
    end_v: Floats
    after_v: Floats
    read_after_v: Floats
    after_apart_v: Floats
    before_v: Floats
    read_before_v: Floats
    before_apart_v: Floats
    end_v_at: NDArray[np.object_]
    charged_part: NDArray[np.object_]
    also_done: NDArray[np.object_]
    code: NDArray[np.object_]
    code_state: NDArray[np.object_]
    figures: Bools
    resistances: NDArray[np.object_]
    not_risen: Mapping[int, Sequence[NotRisen]]
    charged_again: Mapping[int, Sequence[ChargedAgain]]
    charge_unread: Bools
    unread: Mapping[int, Sequence[Flag]]
    standing: Mapping[int, Sequence[Flag]]
    looked_since: Bools


def noted_in(tables: HistoryTables, moments: pd.DataFrame) -> Noted:
    """Return what is noted beside the features, of many packs.

    Parameters
    ----------
    tables : HistoryTables
        Facts known at the moments, of which each pack has one.
    moments : DataFrame, n rows
        Columns ``pack_id`` and ``origin``.
    """
    newest = NewestTopUps(tables, pd.Index(moments["pack_id"]))
    of_charges = _of_charges(newest, tables, moments)
    stands = standing(newest)
    told = (*mostly_unread(newest).items(), *spread_contradicted(newest).items(), *volts_against(newest))
    for place, flag in told:
        stands.setdefault(place, []).append(flag)
    return replace(of_charges, unread=unread_blocks(newest), standing=stands)


def charges_noted_in(tables: HistoryTables, moments: pd.DataFrame) -> Noted:
    """Return what `noted_in` does but for what stands of any time, which a charge before the newest is not asked."""
    return _of_charges(NewestTopUps(tables, pd.Index(moments["pack_id"])), tables, moments)


def _of_charges(newest: NewestTopUps, tables: HistoryTables, moments: pd.DataFrame) -> Noted:
    code, code_state, figures, resistances = told_by_controller(newest)
    frost_c, unread = frost_near_charge(newest)
    return Noted(
        newest_reading_gap_days(tables, moments),
        newest.of("charge_ah"),
        *warmth_read(newest),
        frost_c,
        *after_charge(newest),
        *before_charge(newest),
        newest.words("end_v_at"),
        newest.words("charged_part"),
        newest.words("also_done"),
        code=code,
        code_state=code_state,
        figures=figures,
        resistances=resistances,
        not_risen=not_risen(newest, 1e-3 * LEVEL_MV_PER_CELL),
        charged_again=charged_again(newest),
        charge_unread=unread,
        unread={},
        standing={},
        looked_since=newest.looked_since,
    )
