"""Which of many packs may hold something that a single forecast refuses or stops at, found by columns.

Every pack is asked in the end by the same checks as a single one (`models.packs.history`, `models.packs.stops`). Those
take a checked history, a thousand times as long as a row of a table. So columns first tell the packs of which nothing
of the sort can be true: each screen here lets through no pack that its check would name, and may hold up some that it
would not. A pack that is held up is asked only the checks that may name it. A stop that has no screen yet holds up
every pack.
"""

from models.packs.screens.table import Screened, screened, stops_of_each

__all__ = ["Screened", "screened", "stops_of_each"]
