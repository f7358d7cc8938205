"""Grave flags under which nothing more is put into the pack, and no charge is weighed, before somebody looked.

They need no model: whatever door a charge is asked through, it is withheld here (`models.topup.plan`,
`models.forecaster.Forecaster.what_if`).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Final

import pandas as pd

from models.base.messages import Said, say
from models.features.derived import derive, surplus_share
from models.features.raw import raw_features
from models.forecasts.charge_flags import flags_of_charges
from models.forecasts.controller import flags_of_controller
from models.forecasts.earlier_charges import TOO_MANY, flags_of_earlier_charges
from models.forecasts.forecast import Flag
from models.forecasts.inputs import history_at
from models.forecasts.noted import noted_in
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.ledger import LEDGER
from models.packs.stops import Stop
from models.packs.tables import tables_from_histories

CHARGE_NOTHING: Final = frozenset(
    {
        "overcharge",
        "charged-again",
        "fast-charge",
        "block-not-risen",
        "block-high",
        "maybe-charged-cold",
        "warm-pack",
        "code-danger",
        "code-live",
        TOO_MANY,
    }
)
"""A charge that may have harmed cells, or did not show, heat that nobody explains, a code that tells of danger, and
more charges than are weighed. Common practice, no source."""

LOOK: Final = say(
    "Charge nothing more. Let it stand in a ventilated place, look for swelling, leaks and heat, and read all blocks "
    "at rest, 20 hours after that charge at the earliest. Once that reading says what was seen (inspected), a charge "
    "is weighed again."
)
MEASURE: Final = say(
    "Charge nothing more. Let it stand in a ventilated place, look for swelling, leaks and heat, check the order of "
    "the sense leads, and have the cells of the blocks in question measured by somebody licensed to, 20 hours after "
    "that charge at the earliest. Once a reading says that they were measured and none is bad (inspected), a charge "
    "is weighed again; a look alone does not tell."
)
PROVE: Final = say(
    "Charge nothing more. Have somebody licensed to prove the pack's leads dead with the vehicle switched off, "
    "see that every plug and cover is closed, and measure the insulation. Once a later reading says so (inspected: "
    "insulation), a charge is weighed again; a look at the cells does not tell."
)


def charge_warnings(history: PackHistory, family: PackFamily, at: datetime | None = None) -> tuple[Flag, ...]:
    """Return what a forecast would warn of at its charges and by codes since, whether or not the fault came back.

    Parameters
    ----------
    history : PackHistory
        Fits the family, and nothing stops it.
    at : datetime, optional
        Facts after it are not used; all are if left out.

    Returns
    -------
    tuple of Flag
        Empty where no charge is recorded.
    """
    origin = history.last_fact_time if at is None else at
    known = history_at(history, origin)
    if not known.topups:
        return ()
    tables = tables_from_histories([known], {family.name: family})
    moments = pd.DataFrame({"pack_id": [known.pack_id], "origin": pd.to_datetime([origin], utc=True)})
    raw = raw_features(tables, moments)
    noted = noted_in(tables, moments)
    newest = flags_of_charges(derive(raw), surplus_share(raw), noted)[0]
    codes = flags_of_controller(noted.code[0], noted.code_state[0], figures=False, resistances=None)
    return (*newest, *flags_of_earlier_charges(tables, moments)[0], *codes)


def forbidding(flags: Iterable[Flag]) -> list[Flag]:
    """Return the grave flags that forbid any charge: each stands until what ends it (`models.packs.ledger`)."""
    return [flag for flag in flags if flag.grave and flag.code in CHARGE_NOTHING]


def stops_of_warnings(warned: Iterable[Flag]) -> tuple[Stop, ...]:
    """Return grave flags as what ends charging."""
    return tuple(
        Stop(
            f.code,
            "charging",
            f.text,
            _what_to_do(f.code),
            "common practice, no source",
            LEDGER[f.code],
        )
        for f in warned
    )


def _what_to_do(code: str) -> Said:
    if "insulation" in LEDGER[code].ends:
        return PROVE
    return MEASURE if LEDGER[code].by_cells else LOOK
