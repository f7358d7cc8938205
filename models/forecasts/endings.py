"""Top-ups that are over: nothing is forecast of them as things stand, and a forecast of the past says so."""

from __future__ import annotations

import pandas as pd

from models.base.errors import BadInput, TideoverError
from models.base.messages import Said, say
from models.forecasts.forecast import Flag
from models.forecasts.withheld import ENDED_SINCE
from models.packs.history import Outcome, PackHistory
from models.packs.tables import HistoryTables


def no_topup() -> BadInput:
    """Say that there is no top-up to forecast."""
    return BadInput.one(
        "topups",
        "no top-up is recorded, and there are not two rest readings to infer it from.",
        "Give the top-up, or one rest reading before it and one after.",
    )


def require_holding(history: PackHistory, known: PackHistory) -> None:
    """Refuse a moment before anything was known, and a top-up that is over; `known` is the history by that moment."""
    if not known.topups and not known.readings:
        raise BadInput.one("at", "lies before every reading and top-up.", "Choose a moment after the top-up.")
    if (ended := history.ended) is not None:
        raise holds_no_more(len(history.outcomes) - 1, ended)


def holds_no_more(place: int, ended: Outcome) -> BadInput:
    """Say that a top-up is over, by the outcome at this place of the history."""
    return BadInput.one(
        f"outcomes[{place}]",
        say("%(what)s: nothing is holding any more.", what=ended_in_words(ended)),
        say("Record the next top-up first, or forecast at a moment before that."),
    )


def ended_packs(tables: HistoryTables) -> dict[str, TideoverError]:
    """Find packs whose newest top-up is over (`PackHistory.ended`), and say how, as of one."""
    own = tables.outcomes
    last = own.groupby("pack_id", sort=False).tail(1).set_index("pack_id")
    count = own.groupby("pack_id", sort=False).size()
    topped = tables.topups.groupby("pack_id", sort=False)["time"].max().reindex(last.index)
    over = last[(last["kind"] != "running") & ~(last["time"] < topped)]
    return {
        str(pack_id): holds_no_more(int(count[pack_id]) - 1, Outcome(time=time.to_pydatetime(), kind=kind))
        for pack_id, kind, time in zip(over.index, over["kind"], over["time"], strict=True)
    }


def ended_in_words(ended: Outcome) -> Said:
    """Say what ended a top-up, and when."""
    what = {
        "returned": say("The fault came back"),
        "replaced": say("The pack was replaced"),
        "retired": say("The vehicle was taken out of use"),
    }[ended.kind]
    return say("%(what)s on %(day)s", what=what, day=ended.time.date().isoformat())


def ended_since(tables: HistoryTables, moments: pd.DataFrame) -> dict[str, Flag]:
    """Say that a forecast is of the past where what came of it is on record, by pack.

    Parameters
    ----------
    tables : HistoryTables
        All that is on record.
    moments : DataFrame
        ``pack_id``, each once, and ``origin`` (UTC).
    """
    later = tables.outcomes[tables.outcomes["kind"] != "running"]
    origin = moments.set_index("pack_id")["origin"].reindex(later["pack_id"]).set_axis(later.index)
    first = later[later["time"] > origin].groupby("pack_id", sort=False).head(1)
    return {
        str(pack_id): Flag(
            ENDED_SINCE,
            say(
                "%(what)s: this forecast is of the past, from before that.",
                what=ended_in_words(Outcome(time=time.to_pydatetime(), kind=kind)),
            ),
            grave=True,
        )
        for pack_id, kind, time in zip(first["pack_id"], first["kind"], first["time"], strict=True)
    }
