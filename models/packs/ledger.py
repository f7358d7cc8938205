"""What stands of a pack until what ends it is recorded: one row for each fact that warns of harm.

Whatever finds such a fact, one pack or many, a stop or a grave flag, asks here what ends it. Nothing else that is
recorded later, a level reading, a gentle charge, a return or a plan, takes it away. A slip is corrected or removed on
record, with the reason: that ends any of them. Which facts are ended by what is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from models.packs.cautions import Chemistry

About = Literal["block", "charge", "pack"]
Ending = Literal["look", "cells", "insulation", "label", "swap", "swap and look", "reading", "return"]


@dataclass(frozen=True)
class Standing:
    """How long a fact stands.

    Attributes
    ----------
    about : {"block", "charge", "pack"}
        What it is a fact of: the blocks of a reading, those of a charge, or the pack as a whole.
    ends : frozenset of str
        What ends it. A look over the pack a day later ("look"); each cell in doubt measured a day later
        ("cells"); the insulation measured after it ("insulation"); the pack's label read ("label"); a module of
        the block swapped ("swap"); that, and a look after it ("swap and look"); a newer reading ("reading", of
        what is asked of the newest alone); the fault that is back ("return"). Empty where nothing does.
    """

    about: About
    ends: frozenset[Ending]

    @property
    def by_look(self) -> bool:
        """Whether what somebody saw or measured, noted with a later reading (`BlockReading.inspected`), can end it."""
        return bool(self.ends & {"look", "cells", "insulation", "label", "swap and look"})

    @property
    def by_cells(self) -> bool:
        """Whether a look alone ends nothing: only volts show it, so its cells are measured."""
        return "cells" in self.ends


def _row(about: About, *ends: Ending) -> Standing:
    return Standing(about, frozenset(ends))


BY_READING: Final = _row("block", "reading")
"""Of what is asked of the block to be charged as it reads now."""

LEDGER: Final[Mapping[str, Standing]] = {
    "hot-pack": _row("pack", "reading"),  # then `was-hot` stands
    "was-hot": _row("pack", "look"),
    "warm-pack": _row("pack", "look"),
    "isolation": _row("pack", "insulation"),
    "code-danger": _row("pack", "look"),
    "code-live": _row("pack", "insulation"),
    "damaged": _row("pack", "swap and look"),
    "other-block-down": _row("block", "reading", "swap"),
    "charged-block-down": _row("block", "reading", "swap"),
    "charge-used-up": _row("block", "reading", "swap"),
    "cell-in-doubt": _row("block", "cells", "swap"),
    "most-blocks-unread": _row("pack", "reading"),
    "not-its-volts": _row("pack", "reading"),
    "chemistry": _row("pack", "reading"),
    "label-unread": _row("pack", "label", "reading"),
    "reversed": _row("block", "cells", "swap"),
    "no-volts": _row("block", "cells", "swap"),
    "below-floor": _row("block", "cells", "swap"),
    "cell-down": _row("block", "cells", "swap"),
    "collapsed": _row("block", "cells", "swap"),
    "low-under-load": _row("block", "cells", "swap"),
    "over-voltage": _row("block", "look", "swap"),
    "block-high": _row("block", "cells", "swap"),
    "overfilled": _row("charge", "look", "swap"),
    "overcharge": _row("charge", "look", "swap"),
    "charged-again": _row("charge", "look", "swap"),
    "fast-charge": _row("charge", "look", "swap"),
    "block-not-risen": _row("charge", "cells", "swap"),
    "charges-unweighed": _row("charge", "look", "swap"),
    "lithium-charged": _row("charge", "cells", "swap"),
    "charged-cold": _row("charge", "look", "swap"),
    "maybe-charged-cold": _row("charge", "look", "swap"),
    "charged-hot": _row("charge", "look", "swap"),
    "wrong-block": _row("charge", "cells", "swap", "return"),
    "lithium": _row("pack"),
    "too-cold": _row("pack", "reading"),
    "too-hot": _row("pack", "reading"),
}
"""By code of a stop (`models.packs.stops.STOPS`) or a grave flag."""

_LITHIUM: Final[Mapping[str, Standing]] = {
    "below-floor": _row("block", "swap"),
    "over-voltage": _row("block", "swap"),
    "overfilled": _row("charge", "swap"),
}
"""What a lithium-ion cell suffered below its floor or above its limit stays, whoever looks or measures: common
practice, no source."""


def standing_of(code: str, chemistry: Chemistry) -> Standing:
    """Return the row of a code, for cells of a chemistry."""
    return _LITHIUM.get(code, LEDGER[code]) if chemistry == "lithium-ion" else LEDGER[code]
